"""Everything that a plan is made from, read at one moment in a constant number of queries."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any, Protocol

from django.db.models import Prefetch, Q, prefetch_related_objects
from django.utils import timezone

from crews.models import Crew, DayOff, Equipment, Firm
from crews.selectors import firm
from inspections.models import POURED_PHASES, Inspection, StrengthNeed
from inspections.selectors import visits as visit_states
from inspections.selectors.locate import locate_rules
from inspections.selectors.pours import strength_needs
from inspections.selectors.weather import Weather, weather_at
from jobs.models import Booking, Job, LentPeople, Phase, Plan, SetAside
from jobs.selectors.deliveries import lead_times

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from contractor.trade.lead_times import LeadTime
    from contractor.trade.locate import LocateRule


Pinned = tuple["int | None", datetime]
"""A crew by primary key, None where any may do it, and the start."""

# So long after it is over, what the board set still counts for work that began before.
COUNTS_FOR = timedelta(days=30)


@dataclass(frozen=True, slots=True)
class OpenWork:
    """
    The open jobs with their rows, the crews and machines, and what people have been told.

    By phase, `visits` has an inspection's request or confirmed visit, and `lost_visits` the last
    one that came to nothing, or to a part, where no other is asked for since. `told` has the
    published bookings of work that nobody has reported as begun, `begun` those of all other.
    `forward` are jobs that the office wants sooner than people were told, where they can be.
    `lent` and `set_aside` are what the board has set of crews' people and time, by day.
    `repinned` are pins, by phase, to be taken instead of those of the rows: see `pin_of`.
    """

    now: datetime
    firm: Firm
    crews: tuple[Crew, ...]
    equipment: tuple[Equipment, ...]
    firm_days_off: frozenset[date]
    jobs: tuple[Job, ...]
    told: dict[int, Booking]
    begun: dict[int, Booking]
    visits: dict[int, Inspection]
    lost_visits: dict[int, Inspection]
    strength_needs: tuple[StrengthNeed, ...]
    locate_rules: Mapping[str, LocateRule]
    lead_times: tuple[LeadTime, ...]
    weather: Weather
    forward: frozenset[int] = frozenset()
    lent: tuple[LentPeople, ...] = ()
    set_aside: tuple[SetAside, ...] = ()
    repinned: Mapping[int, Pinned | None] = field(default_factory=dict)

    def pin_of(self, phase: Phase) -> Pinned | None:
        """Return the crew and the start that a phase is pinned to, if it is."""
        if phase.pk in self.repinned:
            return self.repinned[phase.pk]
        if phase.pinned_start_at is None:
            return None
        return phase.pinned_crew_id, phase.pinned_start_at


def open_work(*, now: datetime) -> OpenWork:
    """Return the open work at `now`: signed jobs that have phases left to do."""
    jobs = (
        Job.objects.filter(status=Job.Status.SIGNED)
        .exclude(phases=None)
        .select_related("permit__authority", "site_readiness")
        .prefetch_related(
            Prefetch(
                "phases",
                Phase.objects.exclude(status=Phase.Status.DROPPED).order_by("sequence", "id"),
            ),
            "openings",
            "lean_tos",
            "deliveries",
            "locate_tickets__responses",
            "site_shots",
            "permit__authority__closures",
            "permit__authority__inspection_rules",
        )
        .order_by("sold_on", "id")
    )
    open_jobs = tuple(job for job in jobs if any(p.status != "DONE" for p in job.phases.all()))
    phases = [phase for job in open_jobs for phase in job.phases.all()]
    # Of these alone: a look for the pours of each phase would take as long as all else.
    poured = [phase for phase in phases if phase.code in POURED_PHASES]
    prefetch_related_objects(poured, "pours__readings")
    visits = _visits()
    told, begun = _published()
    return OpenWork(
        now=now,
        firm=firm(),
        jobs=open_jobs,
        told=told,
        begun=begun,
        visits={pk: visit for pk, visit in visits.items() if visit.status in visit_states.OPEN},
        lost_visits={
            pk: visit for pk, visit in visits.items() if visit.status not in visit_states.OPEN
        },
        weather=weather_at(now),
        strength_needs=strength_needs(Q(job__status=Job.Status.SIGNED)),
        locate_rules=locate_rules(),
        lead_times=lead_times(),
        **_crews_and_days(now),
    )


def with_crews_anew(work: OpenWork) -> OpenWork:
    """Return an open work with all of crews and machines read again, and jobs as they were."""
    return replace(work, **_crews_and_days(work.now))


def _crews_and_days(now: datetime) -> dict[str, Any]:
    """Return the part of an open work that is about crews and machines, by name."""
    days_off = DayOff.objects.order_by("first_day", "id")
    own_days_off = Prefetch("days_off", days_off)
    crews = Crew.objects.filter(is_active=True).select_related("work_hours")
    machines = Equipment.objects.filter(is_active=True)
    lent = LentPeople.objects.filter(last_day__gte=_counts_from(now))
    set_aside = SetAside.objects.filter(ends_at__gte=now - COUNTS_FOR)
    return {
        "crews": tuple(crews.prefetch_related(own_days_off).order_by("id")),
        "equipment": tuple(machines.prefetch_related(own_days_off).order_by("id")),
        "firm_days_off": days_of(days_off.filter(crew=None, equipment=None)),
        "lent": tuple(lent.order_by("id")),
        "set_aside": tuple(set_aside.order_by("starts_at", "id")),
    }


def _counts_from(now: datetime) -> date:
    return timezone.localdate(now - COUNTS_FOR)


class DaySpan(Protocol):
    """A row with a first and a last day."""

    first_day: Any
    last_day: Any


def days_of(rows: Iterable[DaySpan]) -> frozenset[date]:
    """Return every day from first to last, both included."""
    days: set[date] = set()
    for row in rows:
        count = (row.last_day - row.first_day).days + 1
        days.update(row.first_day + timedelta(days=n) for n in range(count))
    return frozenset(days)


def _published() -> tuple[dict[int, Booking], dict[int, Booking]]:
    """Return the published bookings of work nobody has reported as begun, and the others."""
    rows = Booking.objects.filter(plan__status=Plan.Status.PUBLISHED).annotate(
        has_begun=~Q(phase__status=Phase.Status.OPEN)
    )
    told: dict[int, Booking] = {row.phase_id: row for row in rows if not row.has_begun}
    begun: dict[int, Booking] = {row.phase_id: row for row in rows if row.has_begun}
    return told, begun


def _visits() -> dict[int, Inspection]:
    """Return the latest visit of each inspection that has none which passed it, by phase."""
    rows = (
        Inspection.objects.filter(phase__job__status=Job.Status.SIGNED)
        .exclude(phase__status=Phase.Status.DONE)
        .exclude(status__in=(*visit_states.PASSED, Inspection.Status.TAKEN_BACK))
        .order_by("requested_at", "id")
    )
    latest = {inspection.phase_id: inspection for inspection in rows}
    open_rows = {row.phase_id: row for row in rows if row.status in visit_states.OPEN}
    return {**latest, **open_rows}
