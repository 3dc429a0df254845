"""What weather did to a phase in a plan: the days it stopped, and the time kept for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from contractor.engine.worktime import SLOTS_PER_HOUR
from contractor.trade.phases import PHASE_TABLE
from jobs.selectors.hold_facts import HoldKind

if TYPE_CHECKING:
    from datetime import date

    from contractor.engine.schedule import Placed
    from contractor.engine.worktime import WorkCalendar
    from jobs.models import Phase
    from jobs.services.portfolio import Portfolio

WEATHER = HoldKind.WEATHER.value
_DAYS_TOLD = 2


@dataclass(frozen=True, slots=True)
class WeatherStop:
    """A day's working time that weather takes from a phase, in slots, and why."""

    phase: Phase
    begins: int
    ends: int
    day: date
    why: str

    @property
    def text(self) -> str:
        """Return what is stopped and why."""
        return f"weather stops {self.phase.get_code_display().lower()}: {self.why}"


def weather_stops(portfolio: Portfolio, placed: Placed) -> list[WeatherStop]:
    """
    Return the days on which weather holds back or stops a placed activity, in order of time.

    Looked at from when it could have begun, weather aside, to its end.
    """
    phase, clear = _gated_phase(portfolio, placed), _clear(portfolio, placed)
    if phase is None or clear is None:
        return []
    weather = portfolio.work.weather.site(phase.job, PHASE_TABLE[phase.code].weather_gate)
    if weather is None:
        return []
    calendars, now = portfolio.calendars, portfolio.problem.now
    since = max(min(placed.because.slot, placed.start), now)
    stops = []
    for stopped in weather.stopped:
        begins, ends = calendars.local_days.span_of(stopped.day)
        first, last = max(begins, since), min(ends, placed.finish)
        work = clear.work_between(first, last) if first < last else 0
        if work:
            opens = clear.next_working(first)
            closes = clear.finish(opens, work)
            stops.append(WeatherStop(phase, opens, closes, stopped.day, stopped.why))
    return stops


def weather_words(portfolio: Portfolio, placed: Placed) -> str:
    """Return what weather does to a start, to be told before what binds it; empty for nothing."""
    clear = _clear(portfolio, placed)
    if clear is None:
        return ""
    stops = weather_stops(portfolio, placed)
    before = [stop for stop in stops if stop.begins < placed.start]
    days = [f"{stop.day:%a %b %-d} ({stop.why})" for stop in before[:_DAYS_TOLD]]
    if len(before) > _DAYS_TOLD:
        days.append(f"{len(before) - _DAYS_TOLD} more")
    words = f"Weather stops {', '.join(days)}. " if days else ""
    kept = _kept_slots(portfolio, placed, stops)
    if kept > 0:
        words += f"With {kept / SLOTS_PER_HOUR:g} h of weather allowance. "
    return words


def _kept_slots(portfolio: Portfolio, placed: Placed, stops: list[WeatherStop]) -> int:
    """Return the slots within an activity that are kept for weather nobody can know yet."""
    problem, clear = portfolio.problem, _clear(portfolio, placed)
    if clear is None:
        return 0
    calendar = problem.calendars[problem.activities[placed.activity].modes[placed.mode].calendar]
    first, last = placed.start, placed.finish
    stopped = sum(clear.work_between(max(s.begins, first), max(s.ends, first)) for s in stops)
    return clear.work_between(first, last) - calendar.work_between(first, last) - stopped


def _clear(portfolio: Portfolio, placed: Placed) -> WorkCalendar | None:
    """Return an activity's calendar as it would be without weather; None where it has none."""
    mode = portfolio.problem.activities[placed.activity].modes[placed.mode]
    return portfolio.calendars.clear.get(mode.calendar)


def _gated_phase(portfolio: Portfolio, placed: Placed) -> Phase | None:
    """Return the phase of a stretch whose weather gate its calendar keeps: the last with one."""
    gated = (
        phase
        for phase in reversed(portfolio.stretches[placed.activity].phases)
        if PHASE_TABLE[phase.code].weather_gate
    )
    return next(gated, None)
