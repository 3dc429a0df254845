"""Days and moments as the crews' pages write them."""

from datetime import date, datetime

from django.utils import formats, timezone

NOTHING = "–"


def day_words(value: date | None) -> str:
    """Return the day in words; a dash for none."""
    return formats.date_format(value, "D M j") if value else NOTHING


def moment_words(value: datetime | None) -> str:
    """Return the moment in words; a dash for none."""
    return formats.date_format(timezone.localtime(value), "D M j, H:i") if value else NOTHING
