"""Write down what a thermometer showed in or beside a pour."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db import transaction

from inspections.models import Pour, PourReading

if TYPE_CHECKING:
    from datetime import datetime


class ReadingToComeError(ValueError):
    """A reading of a moment that has not come yet."""


@transaction.atomic
def record_reading(
    *, pour_id: int, temp_degf: float, of: str, taken_at: datetime, now: datetime
) -> PourReading:
    """
    Return the stored reading of a pour; the same sent twice is stored once.

    Raises
    ------
    ReadingToComeError
        If it was taken after `now`.
    django.core.exceptions.ValidationError
        If the value cannot be, it was taken before the pour, or another is there of its moment.
    """
    if taken_at > now:
        raise ReadingToComeError("This is still to come. Enter a time that has passed.")
    pour = Pour.objects.select_for_update().get(pk=pour_id)
    same = pour.readings.filter(taken_at=taken_at, of=of, temp_degf=temp_degf).first()
    if same is not None:
        return same
    reading = PourReading(pour=pour, taken_at=taken_at, temp_degf=temp_degf, of=of)
    reading.full_clean()
    reading.save()
    return reading
