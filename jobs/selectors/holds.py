"""
All that phases wait for, in one place: what, since when, who can clear it, what a day of it costs.

Every door shows these and no others. Each domain tells its own; here they are put beside the plan.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

from django.db.models import Prefetch, Q
from django.utils import timezone

from contractor.trade.phases import PHASE_TABLE
from crews.models import Firm
from inspections.selectors import authority_holds, locate, site, stopped_work
from jobs.models import Booking, Job, Plan, PlannedWait
from jobs.selectors import deliveries, job_progress, plan_holds, plans
from jobs.selectors.hold_facts import Clears, HoldFact, HoldKind
from jobs.selectors.needs import NEEDED_ROWS, built

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from django.db.models import QuerySet

    from jobs.selectors.hold_facts import TellsHolds

__all__ = [
    "Clears",
    "HoldCost",
    "HoldFact",
    "HoldKind",
    "ShownHold",
    "holds",
    "open_facts",
    "signed_jobs",
    "told_to_crews",
]

# A crew with other work that begins within so long can be sent there; our own choice.
OTHER_WORK = timedelta(days=14)


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldCost:
    """
    What one more day of a hold costs, by the plan that is shown.

    `margin_days` lie between the day it should clear and the booked start, `float_days` are those
    by which the start may move then without making the promise later (or the finish, where nothing
    is promised). While either lasts, `promise_days` is 0; then each day of the hold is one day of
    the promise, and counts `weight` times. `crew_usd` is the day's cost of a crew that cannot begin
    then and has no work elsewhere within two weeks, else 0.
    """

    margin_days: int
    float_days: int
    promise_days: int
    weight: int
    crew_usd: Decimal
    words: str

    @property
    def weighted_days(self) -> int:
        """Return the days of the promise, times the job's weight."""
        return self.promise_days * self.weight


@dataclass(frozen=True, slots=True)
class ShownHold:
    """A hold with its job, and what a day of it costs; None where the phase has no dates."""

    fact: HoldFact
    job: Job
    cost: HoldCost | None

    @property
    def phase_label(self) -> str:
        """Return the phase that waits."""
        return PHASE_TABLE[self.fact.phase_code].label

    @property
    def who(self) -> str:
        """Return who can clear it, by name where one is known."""
        label = self.fact.clears.label
        return f"{label}: {self.fact.who}" if self.fact.who else label

    @property
    def cost_words(self) -> str:
        """Return what a day of it costs, in words."""
        if not self.fact.is_open:
            return "cleared"
        return self.cost.words if self.cost else "no dates yet, so its cost is not known"


def holds(
    *,
    now: datetime,
    job: Job | None = None,
    cleared: bool = False,
    jobs: Sequence[Job] | None = None,
    kinds: Collection[HoldKind] = tuple(HoldKind),
) -> list[ShownHold]:
    """
    Return the open holds of all signed jobs, or of one, the dearest first.

    With `cleared` those that are cleared follow, newest first. `jobs` are `signed_jobs` that are
    read already; holds of other `kinds` are not looked for. The number of queries does not grow
    with the rows.
    """
    if jobs is None:
        jobs = list(signed_jobs() if job is None else signed_jobs().filter(pk=job.pk))
    by_pk = {row.pk: row for row in jobs}
    costs = _Costs(jobs, now) if jobs else None
    shown = []
    tells = [domain for domain, told in _ALL.items() if not told.isdisjoint(kinds)]
    for fact in _facts(tells, jobs, now):
        if (fact.is_open or cleared) and fact.kind in kinds:
            row = by_pk[fact.job_id]
            cost = costs.of(row, fact) if costs and fact.is_open else None
            shown.append(ShownHold(fact, row, cost))
    return sorted(shown, key=_rank)


def open_facts(*, jobs: Collection[int], now: datetime) -> tuple[dict[int, Job], list[HoldFact]]:
    """
    Return those of these jobs that are signed, with their rows, and what their phases wait for.

    The number of queries does not grow with the jobs.
    """
    found = {job.pk: job for job in signed_jobs().filter(pk__in=jobs)}
    facts = _facts(list(_ALL), list(found.values()), now)
    return found, [fact for fact in facts if fact.is_open]


def told_to_crews(
    *, now: datetime, jobs: Collection[int] | None = None
) -> Mapping[tuple[int, str], tuple[str, ...]]:
    """
    Return what is told of open holds in crews' calendars, by job and phase; of all signed jobs or
    of those.

    The words are the same as long as the rows are.
    """
    told: dict[tuple[int, str], list[str]] = {}
    rows = signed_jobs() if jobs is None else signed_jobs().filter(pk__in=jobs)
    for fact in _facts(list(_FROM_ROWS), list(rows), now):
        if fact.is_open:
            words = f"Waits for {fact.kind.label.lower()}: {fact.what}."
            told.setdefault((fact.job_id, fact.phase_code), []).append(words)
    return {key: tuple(sorted(set(words))) for key, words in told.items()}


# Columns of phases that none of these reads: of a thousand phases they take a fifth of the time.
_NOT_READ = (
    *("labor_arithmetic", "labor_hours", "office_hours", "share_of_whole"),
    *("reported_hours", "hours_at_share", "pinned_crew", "pinned_start_at"),
)


def signed_jobs() -> QuerySet[Job]:
    """Return signed jobs with all that holds, tickets, deliveries and inspections read of them."""
    return (
        Job.objects.filter(status=Job.Status.SIGNED)
        .select_related("permit__authority")
        .prefetch_related(
            Prefetch("phases", job_progress.live_phases().select_related(None).defer(*_NOT_READ)),
            *NEEDED_ROWS,
            "deliveries",
            "locate_tickets__responses",
        )
        .order_by("number")
    )


def _facts(domains: Sequence[TellsHolds], jobs: Sequence[Job], now: datetime) -> list[HoldFact]:
    return [fact for tell in domains for fact in tell(jobs, now)]


# Each tells its own kinds, and no two the same. What these tell changes only when a row does, so
# crews' calendars may carry it; weather comes and goes, and cure is told by its date.
_FROM_ROWS: Mapping[TellsHolds, frozenset[HoldKind]] = {
    authority_holds.open_holds: frozenset(
        {HoldKind.DRAWINGS, HoldKind.PERMIT, HoldKind.INSPECTION}
    ),
    plan_holds.agreed_holds: frozenset({HoldKind.EARLIEST_DATE}),
    locate.open_holds: frozenset({HoldKind.LOCATE, HoldKind.POSITIVE_RESPONSE}),
    deliveries.open_holds: frozenset({HoldKind.DELIVERY}),
    site.open_holds: frozenset({HoldKind.SITE_NOT_READY}),
}
_ALL: Mapping[TellsHolds, frozenset[HoldKind]] = {
    **_FROM_ROWS,
    plan_holds.cure_holds: frozenset({HoldKind.CURE}),
    stopped_work.open_holds: frozenset({HoldKind.WEATHER}),
}


class _Booked(NamedTuple):
    """What a cost reads of a booking: a plan has thousands, so they are no rows of a model."""

    job_id: int
    phase_code: str
    crew_id: int | None
    starts_at: datetime
    ends_at: datetime


class _Costs:
    """What a day costs each held phase, by the published plan, else by the newest draft."""

    def __init__(self, jobs: Sequence[Job], now: datetime) -> None:
        self.today = timezone.localdate(now)
        firm = Firm.objects.order_by("pk").first()
        self.crew_day_usd = firm.crew_day_cost_usd if firm else Decimal(0)
        plan = plans.published_plan() or plans.latest_draft()
        self.bookings: dict[int, dict[str, _Booked]] = {}
        self.of_crew: dict[int, list[_Booked]] = {}
        self.waits: dict[tuple[int, str, str], datetime] = {}
        if plan is not None:
            self._read(plan, jobs)
        self._floats: dict[int, Mapping[str, timedelta]] = {}

    def _read(self, plan: Plan, jobs: Sequence[Job]) -> None:
        columns = ("phase__job_id", "phase__code", "crew_id", "starts_at", "ends_at")
        rows = Booking.objects.filter(plan=plan).order_by("starts_at")
        if len(jobs) == 1:
            # Of one job: its own bookings, and what else its crews have to do.
            own = rows.filter(phase__job=jobs[0]).order_by()
            rows = rows.filter(Q(phase__job=jobs[0]) | Q(crew__in=own.values("crew")))
        for row in map(_Booked._make, rows.values_list(*columns)):
            mine = self.bookings.setdefault(row.job_id, {})
            # A phase in parts is held where its first part begins, and over with its last.
            first = mine.get(row.phase_code, row)
            mine[row.phase_code] = first._replace(ends_at=max(first.ends_at, row.ends_at))
            if row.crew_id:
                self.of_crew.setdefault(row.crew_id, []).append(row)
        waits = PlannedWait.objects.filter(plan=plan).exclude(after_code="")
        for job, after, before, ends_at in waits.values_list(
            "job_id", "after_code", "before_code", "ends_at"
        ):
            key = (job, after, before)
            self.waits[key] = max(ends_at, self.waits.get(key, ends_at))

    def of(self, job: Job, fact: HoldFact) -> HoldCost | None:
        booking = self.bookings.get(job.pk, {}).get(fact.phase_code)
        if booking is None:
            return None
        if job.pk not in self._floats:
            self._floats[job.pk] = self._floats_of(job)
        clears_on = max(fact.expected_on or self.today, self.today)
        margin = max(0, (timezone.localdate(booking.starts_at) - clears_on).days)
        spare = self._floats[job.pk].get(fact.phase_code, timedelta()).days
        promise_days = 0 if margin + spare > 0 else 1
        crew_usd = Decimal(0) if margin or self._has_other_work(booking) else self.crew_day_usd
        return HoldCost(
            margin_days=margin,
            float_days=spare,
            promise_days=promise_days,
            weight=job.promise_weight,
            crew_usd=crew_usd,
            words=_words(job, margin, spare, crew_usd),
        )

    def _has_other_work(self, booking: _Booked) -> bool:
        """Return whether the crew has work on another job soon; so has who is no crew of ours."""
        if booking.crew_id is None:
            return True
        until = booking.starts_at + OTHER_WORK
        return any(
            row.job_id != booking.job_id and booking.starts_at <= row.starts_at < until
            for row in self.of_crew[booking.crew_id]
        )

    def _floats_of(self, job: Job) -> Mapping[str, timedelta]:
        """Return by how much each phase may move before the promise does: total float."""
        mine, found = self.bookings.get(job.pk, {}), built(job)
        if not mine or found is None:
            return {}
        network = found[1]
        finish = max(row.ends_at for row in mine.values())
        spare = timedelta()
        if job.promised_on:
            zone = timezone.get_default_timezone()
            promise = datetime.combine(job.promised_on + timedelta(days=1), time(), tzinfo=zone)
            spare = max(spare, promise - finish)
        floats: dict[str, timedelta] = {}
        for code in reversed(network.phases):
            if code not in mine:
                continue
            after = [link for link in network.follows if link.before == code and link.after in mine]
            floats[code] = min(
                (
                    self._gap(job, mine, link.before, link.after, link.start_to_start)
                    + floats[link.after]
                    for link in after
                ),
                default=spare + finish - mine[code].ends_at,
            )
        return floats

    def _gap(
        self, job: Job, mine: Mapping[str, _Booked], before: str, after: str, from_start: bool
    ) -> timedelta:
        free_at = mine[before].starts_at if from_start else mine[before].ends_at
        free_at = max(free_at, self.waits.get((job.pk, before, after), free_at))
        return max(timedelta(), mine[after].starts_at - free_at)


def _words(job: Job, margin: int, spare: int, crew_usd: Decimal) -> str:
    told = f"the promise of {job.promised_on:%b %-d, %Y}" if job.promised_on else "the finish"
    weight = f", weight {job.promise_weight}" if job.promise_weight > 1 else ""
    if margin + spare > 0:
        parts = [
            f"{_days(margin)} to the booked start" if margin else "",
            f"{_days(spare)} of float" if spare else "",
        ]
        free = " and ".join(part for part in parts if part)
        words = f"nothing for {_days(margin + spare)} ({free}), then each day makes {told} "
        words += f"a day later{weight}"
    else:
        words = f"each day makes {told} a day later{weight}"
    if crew_usd:
        words += f"; the crew has no other work for two weeks: ${crew_usd:,.0f} a day"
    return words


def _days(number: int) -> str:
    return f"{number} day" if number == 1 else f"{number} days"


def _rank(shown: ShownHold) -> tuple[bool, int, int, int, str, str, str]:
    """Return the place in the list: what costs days now, then what will soonest, then the rest."""
    fact, cost = shown.fact, shown.cost
    key = (shown.job.number, fact.phase_code, fact.kind.value)
    if not fact.is_open:
        return (True, 0, 0, -(fact.cleared_on or date.min).toordinal(), *key)
    if cost is None:
        return (False, 0, 10**6, 0, *key)
    return (False, -cost.weighted_days, cost.margin_days + cost.float_days, 0, *key)
