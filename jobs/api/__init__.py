"""The owner's API: each view translates in, asks one selector or the trade, translates out."""
