"""Whether all is well: for programs at `/health/`, for people on a page and by a command."""
