"""The door for the phones of crews: signed in by a link, once, without a password."""
