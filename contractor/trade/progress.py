"""
Where a phase stands, from all that was ever reported of it.

Reports come late, twice and out of order. So a phase's state is never moved on by the report that
has just come: it is told anew from all of them, in the order in which they were made. Nothing is
overwritten; a correction is a report of its own that takes the place of the one it names.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from contractor.trade.labeled import Labeled

# What was told of the hours counts as much as this share of the phase at the planned rate, so that
# the first tenth of a phase does not decide on the rest. Our own.
PLANNED_RATE_WEIGHT = 0.5
# Hours per unit of work against the plan; outside, an hour or a share was told wrong. Our own.
PACE_LIMITS = (0.5, 2.0)
# Of a phase whose hours are used up and that is not done: something is left. Our own.
LEAST_SHARE_LEFT = 0.05


class Kind(Labeled):
    """What a report says of a phase."""

    STARTED = "STARTED"
    PROGRESS = "PROGRESS"
    DONE = "DONE"
    STOPPED = "STOPPED"
    NOTE = "NOTE"
    CORRECTION = "CORRECTION"
    OFFICE = "OFFICE"
    VOID = "VOID"


FROM_SITE = (Kind.STARTED, Kind.PROGRESS, Kind.DONE, Kind.STOPPED, Kind.NOTE)
"""What a crew lead may report; the others correct a report or come from the phase's page."""


class Status(Labeled):
    """Where a phase stands."""

    OPEN = "OPEN"
    UNDER_WAY = "UNDER_WAY"
    DONE = "DONE"


@dataclass(frozen=True, slots=True)
class Told:
    """
    One report. `crew_hours` are hours of all people together since the report before.

    With OFFICE the report sets the state: `status`, `started_at`, `done_at` and the rest as they
    stand, `crew_hours` in all. With CORRECTION, `corrected_kind` is what the report it names
    should have been; VOID takes it back. `happened_at` is None where it is the moment it was made.
    """

    id: str
    kind: Kind
    made_at: datetime
    happened_at: datetime | None = None
    crew: int | None = None
    share_done: float | None = None
    crew_hours: float | None = None
    stopped_by: str = ""
    stopped_until: datetime | None = None
    corrects: str | None = None
    corrected_kind: Kind | None = None
    from_office: bool = False
    status: Status | None = None
    started_at: datetime | None = None
    done_at: datetime | None = None

    @property
    def at(self) -> datetime:
        """Return the moment it is about."""
        return self.made_at if self.happened_at is None else self.happened_at


@dataclass(frozen=True, slots=True)
class Standing:
    """
    Where a phase stands.

    `share_at` is when the share or the hours were told last, moved on by the time the work was
    stopped since; work from then on is taken to go on as planned. `hours_at_share` are the hours
    reported when the share was told.
    """

    status: Status = Status.OPEN
    started_at: datetime | None = None
    done_at: datetime | None = None
    share_done: float = 0.0
    share_at: datetime | None = None
    reported_hours: float | None = None
    hours_at_share: float | None = None
    crew: int | None = None
    stopped_by: str = ""
    stopped_at: datetime | None = None
    stopped_until: datetime | None = None


def standing(reports: Iterable[Told]) -> Standing:
    """Return where a phase stands after all its reports, whatever their order and number."""
    state = Standing()
    for told in in_effect(reports):
        state = _SAYS[told.kind](state, told)
    return state


def in_effect(reports: Iterable[Told]) -> list[Told]:
    """
    Return the reports as they count: corrections put in place, in the order they were made.

    Of all corrections that lead back to one report, the latest counts, at the place of the report.
    One that names nothing, or a report of another phase, another crew or the office, changes
    nothing; but the office may correct every report.
    """
    by_id = {told.id: told for told in reports}
    roots = [told for told in by_id.values() if told.kind is not Kind.CORRECTION]
    named: dict[str, list[Told]] = {}
    for told in by_id.values():
        if told.kind is Kind.CORRECTION and told.corrects is not None:
            named.setdefault(told.corrects, []).append(told)
    counted = (_as_it_counts(root, named) for root in sorted(roots, key=_order))
    return [told for told in counted if told.kind is not Kind.VOID]


def hours_left(
    *,
    planned_hours: float,
    share_done: float,
    hours_at_share: float | None,
    reported_hours: float | None,
) -> float:
    """
    Return the labor hours a phase still takes as of its latest report.

    With a share only, the planned hours of the rest. With hours as well, the rest is taken at a
    pace between the planned one and the one so far, so that the whole lies between the two
    estimates at completion of earned value (actual + budget left, and budget ÷ cost performance
    index; PMI's practice standard, from memory). Hours reported since the share was told come off.
    """
    rest = planned_hours * (1 - share_done)
    if hours_at_share and share_done > 0 and planned_hours > 0:
        prior = PLANNED_RATE_WEIGHT * planned_hours
        pace = (hours_at_share + prior) / (share_done * planned_hours + prior)
        rest *= min(max(pace, PACE_LIMITS[0]), PACE_LIMITS[1])
    since = (reported_hours or 0.0) - (hours_at_share or 0.0)
    return max(rest - max(since, 0.0), min(rest, LEAST_SHARE_LEFT * planned_hours))


def earned_schedule(*, planned: Sequence[float], earned: float) -> float:
    """
    Return the earned schedule in periods: when the plan would have earned what is earned.

    `planned` is the cumulative planned value at the end of each period from the first. ES = C + I,
    C the whole periods with planned value at most `earned`, I = (earned − PV_C) ÷ (PV_C+1 − PV_C).
    Source: Lipke, Schedule Is Different, 2003.
    """
    values = [0.0, *planned]
    whole = max(n for n, value in enumerate(values) if value <= earned or n == 0)
    if whole + 1 >= len(values):
        return float(whole)
    step = values[whole + 1] - values[whole]
    return whole + max(0.0, (earned - values[whole]) / step)


@dataclass(frozen=True, slots=True)
class ScheduleIndex:
    """How a job stands in time, in the periods of its plan: Lipke, Schedule Is Different, 2003."""

    earned_periods: float
    actual_periods: float
    planned_periods: float

    @property
    def variance_periods(self) -> float:
        """Return SV(t) = ES − AT: negative is behind."""
        return self.earned_periods - self.actual_periods

    @property
    def performance_index(self) -> float | None:
        """Return SPI(t) = ES ÷ AT; None before any time has passed."""
        return self.earned_periods / self.actual_periods if self.actual_periods > 0 else None


def _order(told: Told) -> tuple[datetime, str]:
    return told.made_at, told.id


def _as_it_counts(root: Told, named: Mapping[str, list[Told]]) -> Told:
    reached, look_at = {root.id: root}, [root.id]
    while look_at:
        for correction in named.get(look_at.pop(), ()):
            by_the_crew = correction.crew == root.crew and not root.from_office
            may = correction.from_office or by_the_crew
            if may and correction.id not in reached:
                reached[correction.id] = correction
                look_at.append(correction.id)
    del reached[root.id]
    if not reached:
        return root
    latest = max(reached.values(), key=_order)
    return replace(
        latest,
        id=root.id,
        kind=latest.corrected_kind or root.kind,
        made_at=root.made_at,
        happened_at=latest.happened_at or root.at,
        crew=root.crew if latest.crew is None else latest.crew,
    )


def _started(state: Standing, told: Told) -> Standing:
    if state.status is Status.DONE:
        assert state.done_at is not None
        earlier = min(told.at, state.started_at or told.at)
        return replace(state, started_at=earlier) if told.at <= state.done_at else state
    begun = _begun(_going_on(state, told), told)
    return replace(begun, started_at=min(told.at, begun.started_at or told.at))


def _progress(state: Standing, told: Told) -> Standing:
    if state.status is Status.DONE:
        if told.share_done is None or told.share_done >= 1:
            return _with_hours(state, told)
        # Said to be done, and now said to be done in part: it is not done.
        state = replace(state, status=Status.UNDER_WAY, done_at=None)
    return _with_share(_with_hours(_begun(_going_on(state, told), told), told), told)


def _done(state: Standing, told: Told) -> Standing:
    state = _with_hours(_going_on(state, told), told)
    if state.status is Status.DONE:
        return state
    return replace(
        state,
        status=Status.DONE,
        done_at=told.at,
        started_at=min(state.started_at, told.at) if state.started_at else None,
        share_done=1.0,
        share_at=told.at,
        hours_at_share=state.reported_hours,
        crew=state.crew if told.crew is None else told.crew,
    )


def _stopped(state: Standing, told: Told) -> Standing:
    if state.status is Status.DONE:
        return _with_hours(state, told)
    state = _going_on(state, told)
    if told.share_done or told.crew_hours:
        state = _with_share(_with_hours(_begun(state, told), told), told)
    return replace(
        state,
        stopped_by=told.stopped_by,
        stopped_at=told.at,
        stopped_until=told.stopped_until,
    )


def _note(state: Standing, told: Told) -> Standing:
    return state


def _set(state: Standing, told: Told) -> Standing:
    """Set the state as the office sees it; a share that stays as it was keeps its moment."""
    status = told.status or state.status
    share_done = told.share_done or 0.0
    same_share = (share_done, status) == (state.share_done, state.status)
    same_hours = told.crew_hours == state.reported_hours
    stays = bool(told.stopped_by) and status is not Status.DONE
    since = state.stopped_at if told.stopped_by == state.stopped_by else None
    return Standing(
        status=status,
        started_at=told.started_at,
        done_at=told.done_at,
        share_done=share_done,
        share_at=state.share_at if same_share and same_hours else told.at,
        reported_hours=told.crew_hours,
        hours_at_share=state.hours_at_share if same_share else told.crew_hours,
        crew=told.crew,
        stopped_by=told.stopped_by if stays else "",
        stopped_at=(since or told.at) if stays else None,
        stopped_until=told.stopped_until if stays else None,
    )


def _begun(state: Standing, told: Told) -> Standing:
    return replace(
        state,
        status=Status.UNDER_WAY,
        started_at=told.at if state.started_at is None else state.started_at,
        crew=state.crew if told.crew is None else told.crew,
    )


def _going_on(state: Standing, told: Told) -> Standing:
    """End a stop; the work that was taken to go on since the share was told stood still so long."""
    if state.stopped_at is None:
        return state
    known_at = state.share_at or state.started_at
    stood_still = max(told.at - state.stopped_at, timedelta(0))
    return replace(
        state,
        share_at=None if known_at is None else known_at + stood_still,
        stopped_by="",
        stopped_at=None,
        stopped_until=None,
    )


def _with_hours(state: Standing, told: Told) -> Standing:
    if not told.crew_hours:
        return state
    hours = (state.reported_hours or 0.0) + told.crew_hours
    if state.status is Status.DONE:
        return replace(state, reported_hours=hours)
    return replace(state, reported_hours=hours, share_at=told.at)


def _with_share(state: Standing, told: Told) -> Standing:
    if told.share_done is None:
        return state
    return replace(
        state,
        share_done=told.share_done,
        share_at=told.at,
        hours_at_share=state.reported_hours,
    )


_SAYS: Mapping[Kind, Callable[[Standing, Told], Standing]] = {
    Kind.STARTED: _started,
    Kind.PROGRESS: _progress,
    Kind.DONE: _done,
    Kind.STOPPED: _stopped,
    Kind.NOTE: _note,
    Kind.OFFICE: _set,
}
