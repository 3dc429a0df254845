"""When work can happen: calendars, resources, one decoder, search, checks. Nothing of buildings."""
