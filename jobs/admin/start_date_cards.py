"""The answer about start dates in words: a card for each way to build, its chief reason first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from jobs.admin.words import count, day
from jobs.services.start_date_reasons import QUEUE, WORK
from jobs.services.start_dates import BY_THE_DAY, DESCRIBED

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from jobs.services.start_date_answer import Answer, Endangered, Likely, OptionDates, Reason

# Differences that are smaller than this are the same day to a buyer.
LEAST_DAYS = 0.5
# Reasons whose words are too long to stand beside a difference.
SHORT = {WORK: "the work itself", QUEUE: "busy crews and machines"}


@dataclass(frozen=True, slots=True)
class OptionCard:
    """
    One way to build in words.

    `likely` has what is likely of the finish, by chance; `chief` what the days mostly go to, or
    come from; `sign` what it does to sold jobs, so short that it tells a buyer of none.
    """

    label: str
    because: str
    headline: str
    start: str
    planned: str
    planned_chance: str
    likely: list[tuple[str, str]]
    runs: int
    wanted: str
    difference: str
    chief: str
    whys: list[str]
    labor: str
    crew: str
    sign: str
    endangered: list[str]


def draws_of(answer: Answer) -> str:
    """Return how often the ways to build were drawn, such as "200" or "96 to 200"."""
    runs = sorted({row.runs for row in answer.options if not row.because})
    return " to ".join(f"{number}" for number in dict.fromkeys((runs[0], runs[-1]))) if runs else ""


def card(row: OptionDates, wanted_on: date | None) -> OptionCard:
    """Return one way to build in words."""
    return OptionCard(
        label=row.label,
        because=row.because.rstrip("."),
        headline=_headline(row.likely_finish),
        start=_between(row.likely_start),
        planned=f"{day(row.planned_start_on)} to {day(row.planned_finish_on)}",
        planned_chance=_by_planned(row.chance_by_planned),
        likely=_by_chance(row.likely_finish),
        runs=row.runs,
        wanted=_wanted(row, wanted_on),
        difference="" if row.code == DESCRIBED else _difference(row.likely_more_days),
        chief=_most(row.reasons) if row.code == DESCRIBED else _chief(row),
        whys=_whys(row),
        labor=f"{row.labor_hours:,.0f} hours",
        crew=row.crew,
        sign=_sign(row),
        endangered=[_told(found) for found in row.endangered],
    )


def _headline(likely: Likely | None) -> str:
    if likely is None or likely.p80 is None:
        return "No finish within the days that are planned"
    return f"Done by {day(likely.p80)}, four times in five"


def _between(likely: Likely | None) -> str:
    if likely is None or likely.p10 is None or likely.p90 is None:
        return "–"
    if likely.p10 == likely.p90:
        return day(likely.p10)
    return f"{day(likely.p10)} to {day(likely.p90)}"


def _by_chance(likely: Likely | None) -> list[tuple[str, str]]:
    if likely is None:
        return []
    rows = (("10 %", likely.p10), ("50 %", likely.p50), ("80 %", likely.p80), ("90 %", likely.p90))
    return [(chance, day(when)) for chance, when in rows]


def _by_planned(chance: float | None) -> str:
    """Return how surely the planned day holds; a plan has no luck, so it may be a rare one."""
    if chance is None:
        return ""
    return f"done by then in {chance:.0%} of the draws" if chance else "no draw was done by then"


def _wanted(row: OptionDates, wanted_on: date | None) -> str:
    """Return the chance by the day wanted, and that even putting it first misses that day."""
    if wanted_on is None or row.chance_by_wanted is None:
        return ""
    told = f"{row.chance_by_wanted:.0%} by {day(wanted_on)}"
    planned_on = row.planned_finish_on
    if row.code == BY_THE_DAY and planned_on and planned_on > wanted_on:
        return f"{told}. Even put first it is planned to be done on {day(planned_on)}"
    return told


def _difference(days: float | None) -> str:
    if days is None:
        return ""
    return f"{_later(days)} than described" if _side(days) else "As soon as described"


def _later(days: float) -> str:
    number = max(round(abs(days)), 1)
    return f"{count(number, 'day')} {'later' if days > 0 else 'sooner'}"


def _side(days: float | None) -> int:
    """Return 1 for later, -1 for sooner, 0 for what is the same day to a buyer."""
    if days is None or abs(days) < LEAST_DAYS:
        return 0
    return 1 if days > 0 else -1


def _chief(row: OptionDates) -> str:
    """
    Return the chief reason why a way takes longer or is done sooner than described.

    Reasons add up to the planned days. Luck may make something else of these: then it is told how
    they differ, and why. Where neither differs, it is told what makes up for what.
    """
    likely, planned = _side(row.likely_more_days), _side(row.more_days)
    if planned not in (likely, 0) and row.more_days is not None:
        found = _largest(row.reasons, planned)
        return f"though planned {_later(row.more_days)}{f': {found}' if found else ''}"
    if likely:
        found = _largest(row.reasons, likely)
        return f"chiefly {found}" if found else ""
    less, more = _largest(row.reasons, -1), _largest(row.reasons, 1)
    return f"{less}, {more}" if less and more else less or more


def _largest(reasons: Iterable[Reason], side: int) -> str:
    """Return the reason that differs most to one side, in words; "" if none does."""
    rows = [reason for reason in reasons if _side(reason.more_days) == side]
    if not rows:
        return ""
    most = max(rows, key=lambda reason: abs(reason.more_days))
    number = count(max(round(abs(most.more_days)), 1), "day")
    return f"{number} {'more' if side > 0 else 'less'} for {_short(most)}"


def _most(reasons: Iterable[Reason]) -> str:
    """Return what the most days of the described building go to."""
    rows = list(reasons)
    if not rows:
        return ""
    most, total = max(rows, key=lambda reason: reason.days), sum(reason.days for reason in rows)
    return f"{most.days:.0f} of {count(round(total), 'planned day')} go to {_short(most)}"


def _short(reason: Reason) -> str:
    return SHORT.get(reason.kind, reason.label)


def _whys(row: OptionDates) -> list[str]:
    """Return what the days go to; of another way, what differs from the building as described."""
    if row.code == DESCRIBED:
        rows = sorted(row.reasons, key=lambda reason: -reason.days)
        return [f"{r.days:.0f} days: {r.label}" for r in rows if r.days >= LEAST_DAYS]
    days = [
        f"{reason.more_days:+.1f} days: {reason.label}"
        for reason in row.reasons
        if abs(reason.more_days) >= LEAST_DAYS
    ]
    hours = [f"{more.hours:+.1f} hours: {more.phase}" for more in row.hours_more]
    return [text.replace("-", "−", 1) if text[0] == "-" else text for text in (*days, *hours)]


def _sign(row: OptionDates) -> str:
    """Return what a way does to sold jobs, naming none."""
    late = sum(found.days_late_after > found.days_late_before for found in row.endangered)
    parts = []
    if row.endangered:
        parts.append(f"{count(len(row.endangered), 'promise')} less sure")
    if late:
        parts.append(f"{late} planned late")
    if row.moved_jobs:
        parts.append(f"moves {count(row.moved_jobs, 'sold job')}")
    return ", ".join(parts)


def _told(found: Endangered) -> str:
    late = found.days_late_after
    return (
        f"Job {found.job.number}, promised for {day(found.job.promised_on)}: chance to keep it "
        f"{found.chance_before:.0%} without, {found.chance_after:.0%} with this building"
        + (f"; planned {count(late, 'day')} late" if late > found.days_late_before else "")
    )
