"""The door for buyers: no sign-in, the address is the key, and it opens one job's page."""
