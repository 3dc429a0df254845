"""
Knock-on by a second program: the crew's policies in SimPy, against what a comparison finds.

One crew, jobs without an authority, so that a job is a row of bookings in build order. It either
repairs: it comes where it was told to, if nobody is there and what goes before is done; else it
gives that visit up, and the work goes into its first free stretch that is long enough, no sooner
than told. Or it goes on in turn, everything as much later as it must be; or, with nothing kept,
each visit goes into its first free stretch, so that what comes later may go first while a delivery
is waited for. Which of them a plan took stands in its source. Time is counted in the crew's
working quarter hours, in which nights and weekends do not exist.
"""

from collections import defaultdict
from collections.abc import Generator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from random import Random

import pytest
import simpy
from django.utils import timezone

from contractor.engine.greedy import ANNOUNCED_STARTS, REPAIR, RIGHT_SHIFT
from inspections.models import Permit
from jobs.models import Booking, Delivery, Job, Phase, Plan, SlipStep
from jobs.services import plan_making, planning, publishing, slips
from jobs.services.intake import refresh_phases
from tests.service.portfolio import MONDAY, ZONE, make_firm, make_job

pytestmark = pytest.mark.django_db

# 7:00 to 15:30 at the yard, less half an hour of drive at both ends: 7.5 hours.
OPENS, CLOSES = time(7, 30), time(15, 0)
DAY_QUARTERS = 30
CLOSED = {date(2026, 6, 19), date(2026, 7, 3), date(2026, 9, 7)}  # 5 U.S.C. 6103
DAYS = [
    day
    for n in range(120)
    if (day := date(2026, 6, 1) + timedelta(days=n)).weekday() < 5 and day not in CLOSED
]


def quarter(moment: datetime) -> int:
    """Return the crew's working quarter hours from Monday's first to a moment."""
    local = timezone.localtime(moment, ZONE)
    whole = sum(day < local.date() for day in DAYS) * DAY_QUARTERS
    if local.date() not in DAYS:
        return whole
    minutes = (local.hour - OPENS.hour) * 60 + local.minute - OPENS.minute
    return whole + min(max(minutes // 15, 0), DAY_QUARTERS)


@dataclass
class Visit:
    """A booking as the crew knows it."""

    key: int
    job: int
    told: int
    length: int
    not_before: int = 0


class CrewPolicy:
    """The crew's weeks as processes; `run` gives when each visit ends."""

    def __init__(self, visits: list[Visit]) -> None:
        self.visits = sorted(visits, key=lambda visit: (visit.told, visit.key))
        self.before = dict[int, int]()
        by_job: dict[int, list[Visit]] = defaultdict(list)
        for visit in self.visits:
            if by_job[visit.job]:
                self.before[visit.key] = by_job[visit.job][-1].key
            by_job[visit.job].append(visit)
        self.movers: set[int] = set()

    def run(self) -> dict[int, int]:
        while True:
            kept = self._who_can_come_as_told()
            known = set(self.movers)
            ends = self._carried_out(kept)
            if self.movers == known:
                return ends

    def each_in_its_first_gap(self) -> dict[int, int]:
        """Nothing is kept: in the order told, each visit looks for its first free stretch."""
        return self._carried_out(set())

    def in_turn(self) -> dict[int, int]:
        """The crew takes visits in the order told, and waits for those that are not ready."""
        clock = simpy.Environment()
        ends: dict[int, int] = {}
        done = {visit.key: clock.event() for visit in self.visits}
        crew = simpy.Resource(clock, 1)

        def visit_in_turn(visit: Visit, before: Visit | None) -> Generator[simpy.Event]:
            if before is not None:
                yield done[before.key]
            yield clock.timeout(max(0, max(visit.told, visit.not_before) - clock.now))
            with crew.request() as asked:
                yield asked
                yield clock.timeout(visit.length)
            ends[visit.key] = int(clock.now)
            done[visit.key].succeed()

        before: Visit | None = None
        for visit in self.visits:
            clock.process(visit_in_turn(visit, before))
            before = visit
        clock.run()
        return ends

    def _who_can_come_as_told(self) -> set[int]:
        """The told weeks: a visit whose crew is elsewhere at its moment is given up."""
        clock = simpy.Environment()
        crew = simpy.Resource(clock, 1)
        kept: set[int] = set()

        def visit_as_told(visit: Visit) -> Generator[simpy.Event, object, None]:
            yield clock.timeout(visit.told)
            with crew.request() as asked:
                got = yield asked | clock.timeout(0)
                if asked not in got:  # type: ignore[operator]
                    return
                kept.add(visit.key)
                # Gone half a quarter hour early, so that who comes at that moment finds it free.
                yield clock.timeout(visit.length - 0.5)

        for visit in self.visits:
            if visit.key not in self.movers and visit.told >= visit.not_before:
                clock.process(visit_as_told(visit))
        clock.run()
        return kept

    def _carried_out(self, kept: set[int]) -> dict[int, int]:
        """What follows late work, or was given up, looks for its first free stretch."""
        ends: dict[int, int] = {}
        taken = {v.key: (v.told, v.told + v.length) for v in self.visits if v.key in kept}

        def work(visit: Visit) -> Generator[simpy.Event, object, None]:
            ready = visit.not_before
            if visit.key in self.before:
                ready = max(ready, ends[self.before[visit.key]])
            if visit.key in kept and ready <= visit.told:
                ends[visit.key] = visit.told + visit.length
                return
            self.movers.add(visit.key)
            taken.pop(visit.key, None)
            clock = simpy.Environment(initial_time=max(ready, visit.told))
            clock.process(find(clock, visit))
            clock.run()
            yield from ()

        def find(clock: simpy.Environment, visit: Visit) -> Generator[simpy.Event, object, None]:
            while any(
                begins < clock.now + visit.length and clock.now < stops
                for begins, stops in taken.values()
            ):
                yield clock.timeout(1)
            begins = int(clock.now)
            yield clock.timeout(visit.length)
            taken[visit.key] = (begins, int(clock.now))
            ends[visit.key] = int(clock.now)

        for visit in self.visits:
            for _ in work(visit):
                pass
        return ends


@pytest.fixture
def published() -> Plan:
    make_firm(crews=1)
    for number in range(3):
        job = make_job(number=f"26-{number:03d}", promised_on=None)
        Permit.objects.filter(job=job).update(is_exempt=True)
        refresh_phases(job=Job.objects.get(pk=job.pk))
        _dig(job)
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    return publishing.publish(plan_id=plan.pk, now=MONDAY).plan


def _dig(job: Job) -> None:
    """Have the holes dug last week: digging has locate windows, which the policy does not know."""
    last_week = MONDAY - timedelta(days=4)
    Phase.objects.filter(job=job, code__in=("LAYOUT", "DIG")).update(
        status=Phase.Status.DONE, started_at=last_week, done_at=last_week, share_done=1
    )


@pytest.mark.parametrize("seed", range(12))
def test_a_comparison_finds_the_knock_on_that_the_crews_policy_gives(
    published: Plan, seed: int
) -> None:
    rng = Random(seed)
    visits = {
        row.phase_id: Visit(
            row.phase_id,
            row.phase.job_id,
            quarter(row.starts_at),
            quarter(row.ends_at) - quarter(row.starts_at),
        )
        for row in Booking.objects.filter(plan=published).select_related("phase")
    }
    plain = CrewPolicy(list(visits.values())).run()
    numbers = sorted(Job.objects.values_list("number", flat=True))
    if seed % 2:
        phase = Phase.objects.get(
            job__number=rng.choice(numbers), code=rng.choice(["FRAME", "ROOF", "WALLS"])
        )
        crew_hours = rng.randint(10, 40)
        Phase.objects.filter(pk=phase.pk).update(office_hours=4.0 * crew_hours)
        visits[phase.pk].length = 4 * crew_hours
    else:
        number, day = rng.choice(numbers), DAYS[rng.randint(8, 25)]
        Delivery.objects.filter(job__number=number, item="TRUSSES").update(
            arrived_on=None, promised_on=day
        )
        trusses = Phase.objects.get(job__number=number, code="TRUSSES")
        midnight = datetime.combine(day + timedelta(days=1), time(), tzinfo=ZONE)
        visits[trusses.pk].not_before = quarter(midnight)

    slips.compare_published(now=MONDAY, trigger="a test")

    policy = CrewPolicy(list(visits.values()))
    taken = plan_making.pushed(plan_making.gather(now=MONDAY))[1].source
    pushed = {
        REPAIR: policy.run,
        RIGHT_SHIFT: policy.in_turn,
        ANNOUNCED_STARTS: policy.each_in_its_first_gap,
    }[taken]()
    for job in Job.objects.all():
        mine = [key for key, visit in visits.items() if visit.job == job.pk]
        by_simpy = max(pushed[key] for key in mine) - max(plain[key] for key in mine)
        steps = SlipStep.objects.filter(plan=published, job=job)
        assert sum(step.quarters for step in steps) == by_simpy, job.number
