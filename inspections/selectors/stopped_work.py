"""Booked work on days that weather stops, and what its crews could do under cover instead."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from django.db.models import Prefetch
from django.utils import timezone

from contractor.trade.phases import PHASE_TABLE, Performer
from contractor.trade.weather import Level, WeatherGate
from inspections.selectors.weather import AHEAD_DAYS, Weather, weather_at
from jobs.models import Booking, Job, Phase, Plan, PlannedWait
from jobs.selectors.hold_facts import Clears, HoldFact, HoldKind
from jobs.selectors.job_progress import live_phases
from jobs.selectors.needs import NEEDED_ROWS, built
from jobs.selectors.networks import row_links

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from django.db.models import QuerySet

    from crews.models import Crew

LOOK_AHEAD_DAYS = 7
# So many offers are enough to choose from.
MOST_OFFERS = 8


@dataclass(frozen=True, slots=True)
class StoppedBooking:
    """
    A published booking that lies on a day which weather stops, and why.

    `is_left_out` where the published plan knew of it: the work pauses, and nobody need plan again.
    """

    booking: Booking
    day: date
    why: str
    is_left_out: bool


@dataclass(frozen=True, slots=True)
class Offer:
    """
    Work that a crew could do on such a day: nothing before it is open, and weather lets it go on.

    `under_cover` is work that no weather stops. `booked_on` is the day the published plan has it.
    """

    phase: Phase
    under_cover: bool
    same_job: bool
    booked_on: date | None


@dataclass(frozen=True, slots=True)
class CrewDay:
    """A crew's day with stopped work, and the offers, best first: under cover, near, due soon."""

    crew: Crew
    day: date
    stopped: tuple[StoppedBooking, ...]
    offers: tuple[Offer, ...]

    @property
    def is_left_out(self) -> bool:
        """Return whether the published plan pauses all that is stopped."""
        return all(stop.is_left_out for stop in self.stopped)


def stopped_bookings(
    *, now: datetime, weather: Weather | None = None, jobs: Sequence[Job] | None = None
) -> list[StoppedBooking]:
    """Return published bookings of open work on stopped days from today on, by day and crew."""
    known = weather_at(now) if weather is None else weather
    if not known.areas:
        return []
    today = timezone.localdate(now)
    # Nobody knows of a stop later than that, and most of a plan is.
    known_until = today + timedelta(days=AHEAD_DAYS)
    rows = _bookings(now).filter(starts_at__date__lt=known_until)
    if jobs is not None:
        rows = rows.filter(phase__job__in=jobs)
    left_out = _left_out(today)
    found = []
    for row in rows:
        site = known.site(row.phase.job, PHASE_TABLE[row.phase.code].weather_gate)
        if site is None:
            continue
        first, last = timezone.localdate(row.starts_at), timezone.localdate(row.ends_at)
        found += [
            StoppedBooking(
                row, stop.day, stop.why, (row.phase.job_id, row.phase.code, stop.day) in left_out
            )
            for stop in site.stopped
            if max(first, today) <= stop.day <= last
        ]
    return sorted(found, key=lambda stop: (stop.day, stop.booking.crew_id or 0, stop.booking.pk))


def crew_days(*, now: datetime, days: int = LOOK_AHEAD_DAYS) -> list[CrewDay]:
    """
    Return, by day and crew, the booked work that weather stops and the work it could do instead.

    A phase is offered if all before it is done, its material is there, and no other crew has it
    on that day; the crew has the skills and the people. In a constant number of queries.
    """
    weather = weather_at(now)
    until = timezone.localdate(now) + timedelta(days=days)
    by_crew_day: dict[tuple[date, int], list[StoppedBooking]] = defaultdict(list)
    for stop in stopped_bookings(now=now, weather=weather):
        if stop.booking.crew_id is not None and stop.day < until:
            by_crew_day[stop.day, stop.booking.crew_id].append(stop)
    if not by_crew_day:
        return []
    ready = list(_ready_phases())
    booked = {row.phase_id: row for row in _bookings(now)}
    answer = []
    for (day, _), stops in sorted(by_crew_day.items()):
        crew = stops[0].booking.crew
        assert crew is not None
        offers = _offers(crew, day, stops, ready, booked, weather)
        answer.append(CrewDay(crew, day, tuple(stops), tuple(offers[:MOST_OFFERS])))
    return answer


def open_holds(jobs: Sequence[Job], now: datetime) -> list[HoldFact]:
    """Return the weather that stops published bookings of these jobs, the first day of each."""
    facts: dict[int, HoldFact] = {}
    weather = weather_at(now)
    for stop in stopped_bookings(now=now, weather=weather, jobs=jobs):
        phase = stop.booking.phase
        site = weather.site(phase.job, PHASE_TABLE[phase.code].weather_gate)
        if phase.pk in facts or site is None:
            continue
        clears_on = stop.day
        while site.why_on(clears_on):
            clears_on += timedelta(days=1)
        facts[phase.pk] = HoldFact(
            job_id=phase.job_id,
            kind=HoldKind.WEATHER,
            phase_code=phase.code,
            what=f"{stop.day:%a %b %-d}: {stop.why}",
            clears=Clears.NOBODY,
            who=site.area,
            since=stop.day,
            expected_on=clears_on,
        )
    return list(facts.values())


def _left_out(today: date) -> set[tuple[int, str, date]]:
    """Return job, kind of phase and day of the weather that the published plan counts with."""
    rows = PlannedWait.objects.filter(
        plan__status=Plan.Status.PUBLISHED,
        kind=HoldKind.WEATHER.value,
        starts_at__date__gte=today,
    )
    return {
        (job_id, code, timezone.localdate(starts_at))
        for job_id, code, starts_at in rows.values_list("job_id", "before_code", "starts_at")
    }


def _bookings(now: datetime) -> QuerySet[Booking]:
    return (
        Booking.objects.filter(
            plan__status=Plan.Status.PUBLISHED,
            phase__job__status=Job.Status.SIGNED,
            phase__status__in=(Phase.Status.OPEN, Phase.Status.UNDER_WAY),
            ends_at__gt=now,
        )
        .select_related("phase__job", "crew")
        .order_by("starts_at", "id")
    )


def _ready_phases() -> Iterator[Phase]:
    """Yield the open crew phases that nothing before them and no material keeps waiting."""
    jobs = (
        Job.objects.filter(status=Job.Status.SIGNED)
        .select_related("permit__authority")
        .prefetch_related(Prefetch("phases", live_phases()), *NEEDED_ROWS, "deliveries")
        .order_by("number")
    )
    for job in jobs:
        found = built(job)
        if found is None:
            continue
        network = found[1]
        missing = {row.item for row in job.deliveries.all() if row.arrived_on is None}
        waits = {code for item, code in network.deliveries if item in missing}
        behind = {
            link.after.pk
            for link in row_links(network, job.phases.all())
            if link.before.status != Phase.Status.DONE
        }
        for phase in job.phases.all():
            is_open = phase.status in (Phase.Status.OPEN, Phase.Status.UNDER_WAY)
            waiting = phase.code in waits or phase.pk in behind
            if is_open and not waiting and PHASE_TABLE[phase.code].performer is Performer.CREW:
                phase.job = job
                yield phase


def _offers(
    crew: Crew,
    day: date,
    stops: Sequence[StoppedBooking],
    ready: Sequence[Phase],
    booked: dict[int, Booking],
    weather: Weather,
) -> list[Offer]:
    stopped_phases = {stop.booking.phase_id for stop in stops}
    stopped_jobs = {stop.booking.phase.job_id for stop in stops}
    offers = []
    for phase in ready:
        kind, booking = PHASE_TABLE[phase.code], booked.get(phase.pk)
        able = kind.skills <= set(crew.skills) and crew.size >= kind.min_people
        if phase.pk in stopped_phases or not able or _has_other_crew(phase, booking, crew, day):
            continue
        if not _goes_on(phase, day, weather):
            continue
        offers.append(
            Offer(
                phase=phase,
                under_cover=kind.weather_gate == WeatherGate.NONE and phase.code != "LAYOUT",
                same_job=phase.job_id in stopped_jobs,
                booked_on=timezone.localdate(booking.starts_at) if booking else None,
            )
        )
    return sorted(
        offers,
        key=lambda offer: (
            not offer.under_cover,
            not offer.same_job,
            offer.phase.job.drive_minutes,
            offer.booked_on or date.max,
            offer.phase.pk,
        ),
    )


def _has_other_crew(phase: Phase, booking: Booking | None, crew: Crew, day: date) -> bool:
    """Return whether another crew is on a phase, or is booked on it on that very day."""
    if phase.status == Phase.Status.UNDER_WAY and phase.crew_id not in (None, crew.pk):
        return True
    if booking is None or booking.crew_id in (None, crew.pk):
        return False
    return timezone.localdate(booking.starts_at) <= day <= timezone.localdate(booking.ends_at)


def _goes_on(phase: Phase, day: date, weather: Weather) -> bool:
    """Return whether weather lets a phase go on that day; storms keep layout at home too."""
    area = weather.area_of(phase.job)
    gate = WeatherGate(PHASE_TABLE[phase.code].weather_gate)
    if phase.code == "LAYOUT":
        gate = WeatherGate.OUTDOORS
    if gate is WeatherGate.NONE or area is None:
        return True
    verdict = area.verdict(gate, day, soil=str(phase.job.soil))
    return verdict is None or verdict.level is not Level.STOP
