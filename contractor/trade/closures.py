"""Days on which an office is closed again and again, told by a recurrence rule of RFC 5545."""

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta

from dateutil.rrule import rrule, rrulestr

# RFC 5545 section 3.3.10; parts of a day are left out, since an office closes for whole days.
_PARTS = frozenset(
    {"FREQ", "INTERVAL", "BYDAY", "BYMONTHDAY", "BYMONTH", "BYSETPOS", "UNTIL", "COUNT", "WKST"}
)
_FREQUENCIES = frozenset({"WEEKLY", "MONTHLY", "YEARLY"})
# A rule is read this far ahead when it is checked; one that never comes true by then is a slip.
_CHECKED_YEARS = 9
_LONGEST_INTERVAL = 60


def check_recurrence(text: str, *, first_day: date) -> None:
    """
    Refuse a text that is not a usable recurrence rule.

    ``FREQ=MONTHLY;BYDAY=2WE`` is the second Wednesday of every month. Raises ValueError with the
    remedy for anything but weekly, monthly and yearly rules over whole days.
    """
    remedy = "Write a rule like FREQ=MONTHLY;BYDAY=2WE, or leave it empty."
    parts = dict(part.partition("=")[::2] for part in text.upper().split(";"))
    unknown = sorted(set(parts) - _PARTS)
    if unknown:
        raise ValueError(f"repeats {text!r}: {unknown[0] or 'nothing'} is not known here. {remedy}")
    if parts.get("FREQ") not in _FREQUENCIES:
        frequencies = ", ".join(sorted(_FREQUENCIES))
        raise ValueError(f"repeats {text!r}: FREQ is one of {frequencies}. {remedy}")
    interval = parts.get("INTERVAL", "1")
    if not interval.isdecimal() or not 1 <= int(interval) <= _LONGEST_INTERVAL:
        raise ValueError(f"repeats {text!r}: INTERVAL is 1 to {_LONGEST_INTERVAL}. {remedy}")
    try:
        rule = _rule(text, first_day)
        until = datetime.combine(first_day + timedelta(days=366 * _CHECKED_YEARS), time())
        comes = next(_starts(rule, until), None)
    except (ValueError, TypeError, IndexError) as error:
        raise ValueError(f"repeats {text!r}: {error}. {remedy}") from None
    if comes is None:
        raise ValueError(f"repeats {text!r}: it never comes true. {remedy}")


def closed_days(*, first_day: date, last_day: date, repeats: str, until: date) -> frozenset[date]:
    """
    Return every day of a closure, and of its repetitions that begin by ``until``.

    ``first_day`` is the rule's DTSTART, which counts whether or not the rule names it
    (RFC 5545 section 3.8.5.3). Raises as ``check_recurrence`` for a rule that cannot be read.
    """
    starts = {first_day}
    if repeats:
        check_recurrence(repeats, first_day=first_day)
        ends = datetime.combine(until, time())
        starts |= {start.date() for start in _starts(_rule(repeats, first_day), ends)}
    length = (last_day - first_day).days + 1
    return frozenset(start + timedelta(days=n) for start in starts for n in range(length))


def _rule(text: str, first_day: date) -> rrule:
    found = rrulestr(text.upper(), dtstart=datetime.combine(first_day, time()))
    assert isinstance(found, rrule)  # one line is one rule
    return found


def _starts(rule: rrule, until: datetime) -> Iterator[datetime]:
    for start in rule:
        if start > until:
            return
        yield start
