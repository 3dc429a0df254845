"""One cell to one value and back, by the type of the model's column."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import models
from django.utils import timezone

from jobs.services.loading_files import protect, unprotect

__all__ = ["FIRST_YEAR", "LAST_YEAR", "CellError", "Shift", "at_site", "cell_of", "value_of"]

# A date outside is a slip of the hand; near the calendar's ends it could not be stored either.
FIRST_YEAR, LAST_YEAR = 1900, 2200
_WRONG_YEAR = f"The year is not between {FIRST_YEAR} and {LAST_YEAR}. Correct it."

_INTEGER = re.compile(r"[+-]?\d{1,18}", re.ASCII)
_NUMBER = re.compile(r"[+-]?(\d{1,18}(\.\d*)?|\.\d+)([eE][+-]?\d{1,2})?", re.ASCII)
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_DATETIME = re.compile(
    r"(\d{4}-\d{2}-\d{2})[T ](\d{2}:\d{2}(:\d{2}(\.\d{1,6})?)?)(Z|[+-]\d{2}:\d{2})?", re.ASCII
)
_TIME = re.compile(r"\d{2}:\d{2}", re.ASCII)
_BOOLEANS = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}


class CellError(ValueError):
    """The text of a cell is not a value of its column; the message has the remedy."""


@dataclass(frozen=True, slots=True)
class Shift:
    """Move every date and wall-clock moment by whole days, in the zone of the sites."""

    days: int
    zone: tzinfo

    def date(self, day: date) -> date:
        """Return the day moved; a year that no job of ours lies in is refused."""
        if not FIRST_YEAR <= day.year + self.days // 365 <= LAST_YEAR:
            raise CellError(_WRONG_YEAR)
        return day + timedelta(days=self.days)

    def instant(self, moment: datetime) -> datetime:
        """Return the moment moved, at the same time of day."""
        local = moment.astimezone(self.zone)
        if self.days == 0:
            self.date(local.date())
            return moment
        return at_site(datetime.combine(self.date(local.date()), local.time()), self.zone)


def at_site(naive: datetime, zone: tzinfo) -> datetime:
    """
    Return the moment at which the site's clock shows `naive`.

    Raises
    ------
    CellError
        If the clock shows it twice or never, as on the two nights when it is changed.
    """
    first, second = (naive.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() == second.utcoffset():
        return first
    seen = first.astimezone(UTC).astimezone(zone).replace(tzinfo=None)
    if seen != naive:
        raise CellError("The clock skips this time on that night. Write a time an hour later.")
    offset = first.strftime("%z")
    raise CellError(
        "The clock shows this time twice on that night. "
        f"Write which one, for example {naive.isoformat()}{offset[:3]}:{offset[3:]}."
    )


def value_of(field: models.Field[Any, Any], cell: str, shift: Shift) -> Any:
    """
    Return the value of a cell that is not empty, moved by `shift` if it is a date or a moment.

    Raises
    ------
    CellError
        If the text is not a value of the field's type or choices.
    """
    text = unprotect(cell)
    for kind, read in _READERS:
        if isinstance(field, kind):
            value = read(text, shift)
            break
    else:
        value = text
    if field.choices and value not in dict(field.flatchoices):
        choices = ", ".join(str(choice) for choice, _ in field.flatchoices)
        raise CellError(f"Not a choice. Write one of {choices}.")
    return value


def cell_of(field: models.Field[Any, Any], value: Any) -> str:
    """Return the cell that `value_of` reads back as `value`; None is an empty cell."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return timezone.localtime(value).isoformat()
    if isinstance(value, time):
        return value.strftime("%H:%M")
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    if isinstance(value, list):
        return " ".join(value)
    return protect(value) if isinstance(value, str) else str(value)


def _boolean(text: str, shift: Shift) -> bool:
    try:
        return _BOOLEANS[text.lower()]
    except KeyError:
        raise CellError("Not yes or no. Write yes or no.") from None


def _integer(text: str, shift: Shift) -> int:
    if not _INTEGER.fullmatch(text):
        raise CellError("Not a whole number. Write digits only, like 12.")
    return int(text)


def _number(text: str, shift: Shift) -> float:
    if not _NUMBER.fullmatch(text):
        raise CellError("Not a number. Write digits and a point, like 12.5, without unit or comma.")
    return float(text)


def _decimal(text: str, shift: Shift) -> Decimal:
    _number(text, shift)
    return Decimal(text)


def _date(text: str, shift: Shift) -> date:
    try:
        if not _DATE.fullmatch(text):
            raise ValueError
        day = date.fromisoformat(text)
    except ValueError:
        raise CellError("Not a date. Write year-month-day, like 2026-11-23.") from None
    return shift.date(day)


def _instant(text: str, shift: Shift) -> datetime:
    try:
        if not _DATETIME.fullmatch(text):
            raise ValueError
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise CellError(
            "Not a date with a time. Write 2026-11-23 07:30, or with the offset "
            "2026-11-23T07:30-05:00."
        ) from None
    if moment.tzinfo is None:
        moment = at_site(moment, shift.zone)
    try:
        return shift.instant(moment)
    except OverflowError:
        raise CellError(_WRONG_YEAR) from None


def _time(text: str, shift: Shift) -> time:
    try:
        if not _TIME.fullmatch(text):
            raise ValueError
        return time.fromisoformat(text)
    except ValueError:
        raise CellError("Not a time of day. Write hours and minutes, like 16:00.") from None


def _uuid(text: str, shift: Shift) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        raise CellError(
            "Not a UUID. Write 32 digits and letters a to f, as another dump has them."
        ) from None


def _words(text: str, shift: Shift) -> list[str]:
    return text.replace(",", " ").split()


_READERS: tuple[tuple[type[models.Field[Any, Any]], Callable[[str, Shift], Any]], ...] = (
    (models.BooleanField, _boolean),
    (models.IntegerField, _integer),
    (models.FloatField, _number),
    (models.DecimalField, _decimal),
    (models.DateTimeField, _instant),  # before DateField, which it is a kind of
    (models.DateField, _date),
    (models.TimeField, _time),
    (models.JSONField, _words),
    (models.UUIDField, _uuid),
)
