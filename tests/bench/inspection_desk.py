"""
A year of jobs under four authorities, followed by the inspection desk alone.

    python -m tests.bench.inspection_desk [--jobs 200] [--crews 8] [--failing 0.1] [--json]

Plans and publishes the work, then walks through it: the office looks at the desk as it opens and
at each moment that the desk names, and asks for what is listed. Work goes as planned; a share of
visits fails, and the plan is made anew and published. Whether a request was in time is judged by
`asked_in_time`, which shares no code with the rule: it walks hour by hour through the authority's
days. Runs in a database in memory.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

ZONE = ZoneInfo("America/New_York")
START = datetime(2026, 1, 5, 6, 0, tzinfo=ZONE)
OFFICE_OPENS = time(7, 30)
QUARTER = timedelta(minutes=15)


@dataclass
class Followed:
    """What came of following the desk."""

    asked: int = 0
    in_time: int = 0
    late: list[str] = field(default_factory=list)
    failed: int = 0
    plans: int = 0
    not_made: int = 0


def asked_in_time(authority, closed: frozenset[date], asked_at: datetime, visit: datetime) -> bool:
    """
    Return whether a request makes a visit, walking from it through the authority's days.

    Independent of `contractor.trade.notice`: days pass one by one, hours one by one.
    """
    names = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
    open_on = authority.weekdays.split()

    def works(day: date) -> bool:
        return names[day.weekday()] in open_on and day not in closed

    local, target = asked_at.astimezone(ZONE), visit.astimezone(ZONE)
    day = local.date()
    counts_today = works(day) and local.time() <= authority.request_cutoff
    while not counts_today:
        day += timedelta(days=1)
        counts_today = works(day)
    if authority.notice_hours is None:
        left = authority.notice_working_days
        while left:
            day += timedelta(days=1)
            left -= works(day)
        return target.date() >= day and target >= local
    at = local if day == local.date() else datetime.combine(day, time(), tzinfo=ZONE)
    at, left_quarters = at.astimezone(UTC), authority.notice_hours * 4
    while left_quarters:
        left_quarters -= works(at.astimezone(ZONE).date())
        at += QUARTER
    return target >= at


def make_year(*, jobs: int, crews: int) -> None:
    """Write a firm, four authorities with rules of their own, and jobs sold through a year."""
    from inspections.models import Authority
    from jobs.models import Delivery, Job
    from jobs.services.intake import refresh_phases
    from tests.factories import (
        AuthorityFactory,
        CrewFactory,
        EquipmentFactory,
        FirmFactory,
        JobFactory,
        PermitFactory,
    )

    rng = random.Random(4)
    FirmFactory()
    for n in range(max(2, crews // 2)):
        EquipmentFactory(name=f"Auger rig {n}", kind="AUGER")
        EquipmentFactory(name=f"Telehandler {n}", kind="TELEHANDLER")
    for n in range(crews):
        CrewFactory(name=f"Crew {n}")
    AuthorityFactory(name="North", request_cutoff=time(16), asked_when="WORK_STARTED")
    AuthorityFactory(
        name="East", request_cutoff=time(15), notice_working_days=2, asked_when="READY"
    )
    south = AuthorityFactory(
        name="South",
        request_cutoff=time(12),
        asked_when="AHEAD",
        visit_windows="08:00-11:00",
        weekdays="Tue Thu",
        visits_per_day=6,
    )
    AuthorityFactory(
        name="West",
        notice_working_days=0,
        notice_hours=24,
        asked_when="READY",
        takes_wishes=False,
    )
    south.closures.create(
        first_day=date(2026, 1, 13),
        last_day=date(2026, 1, 13),
        repeats="FREQ=MONTHLY;BYDAY=2TU",
        reason="Board day",
    )
    authorities = list(Authority.objects.order_by("id"))
    for n in range(jobs):
        earliest = START.date() + timedelta(days=int(n * 330 / jobs))
        job = JobFactory(
            number=f"26-{n:03d}",
            sold_on=date(2025, 12, 1),
            promised_on=earliest + timedelta(days=90),
            earliest_start_on=earliest,
            width_ft=rng.choice((24, 30, 36)),
            length_ft=rng.choice((32, 40, 48)),
            foundation=rng.choice(("POURED_PIER", "PRECAST_PIER")),
            drive_minutes=rng.choice((0, 15, 30)),
        )
        PermitFactory(
            job=job,
            authority=authorities[n % 4],
            issued_on=date(2025, 12, 20),
            applied_on=date(2025, 12, 10),
        )
        refresh_phases(job=Job.objects.get(pk=job.pk))
    Delivery.objects.update(arrived_on=date(2025, 12, 30))


def follow(*, failing: float, seed: int = 1) -> Followed:
    """Walk through the year: work as planned, ask as the desk says, record, plan after failures."""
    from inspections.selectors.desk import desk
    from inspections.services import visits
    from inspections.services.visits import Said
    from jobs.models import Booking, Phase, Plan
    from jobs.services import planning, publishing

    rng, done = random.Random(seed), Followed()

    def plan(now: datetime) -> None:
        made = planning.plan_now(now=now, budget_seconds=0)
        # Made by the clock of the walk too: else a plan of a day still to come counts as stale.
        Plan.objects.filter(pk=made.pk).update(made_at=now)
        publishing.publish(plan_id=made.pk, now=now)
        done.plans += 1

    def work_until(now: datetime) -> None:
        crews = Booking.objects.filter(is_live=True).exclude(phase__code__endswith="INSPECTION")
        for row in crews.filter(starts_at__lte=now, phase__status="OPEN").select_related("phase"):
            Phase.objects.filter(pk=row.phase_id).update(
                status="UNDER_WAY", started_at=row.starts_at, share_at=row.starts_at, crew=row.crew
            )
        for row in crews.filter(ends_at__lte=now, phase__status="UNDER_WAY"):
            Phase.objects.filter(pk=row.phase_id).update(
                status="DONE", done_at=row.ends_at, share_done=1
            )

    def ask(now: datetime) -> list[datetime]:
        later = []
        found = desk(now=now)
        for row in found.to_ask:
            if row.ask_from is not None and row.ask_from > now:
                later.append(row.ask_from)
                continue
            assert row.visit_from is not None
            visits.ask(
                phase_id=row.phase.pk,
                visit_from=row.visit_from,
                visit_until=row.visit_until,
                said=Said(now=now),
            )
            closed = _closed(row.authority)
            good = asked_in_time(row.authority, closed, now, row.visit_from)
            done.asked += 1
            done.in_time += good
            if not good:
                done.late.append(f"{row.job} {row.phase.code} {now} for {row.visit_from}")
        return later

    plan(START)
    day = START.date()
    last = Booking.objects.filter(is_live=True).latest("ends_at").ends_at
    # The outcome of a visit on the last day is known the morning after.
    while datetime.combine(day, time(), tzinfo=ZONE) <= last + timedelta(days=1):
        moments = [datetime.combine(day, OFFICE_OPENS, tzinfo=ZONE)]
        while moments:
            now = moments.pop(0)
            work_until(now)
            failed = _record(now, rng, failing, done)
            if failed:
                plan(now)
                last = Booking.objects.filter(is_live=True).latest("ends_at").ends_at
            moments += [m for m in ask(now) if m.astimezone(ZONE).date() == day]
            moments = sorted(set(moments))
        day += timedelta(days=1)
    left = Phase.objects.filter(code__endswith="INSPECTION").exclude(status__in=("DONE", "DROPPED"))
    done.not_made = left.count()
    return done


def _record(now: datetime, rng: random.Random, failing: float, done: Followed) -> bool:
    """Record the outcome of every visit whose window has passed; return whether one failed."""
    from inspections.models import Inspection
    from inspections.services import visits
    from inspections.services.visits import Said
    from jobs.services import planning

    made = Inspection.objects.filter(status="REQUESTED", visit_until__lte=now).order_by(
        "visit_until"
    )
    repair, any_failed = planning.repair_now, False
    planning.repair_now = lambda **given: None  # one plan a day is enough here
    try:
        for visit in made:
            fails = rng.random() < failing
            visits.record(
                inspection_id=visit.pk,
                seen=visit.events.latest("number").number,
                outcome="FAILED" if fails else "PASSED",
                said=Said(now=now),
                happened_at=visit.visit_until,
            )
            done.failed += fails
            any_failed |= fails
    finally:
        planning.repair_now = repair
    return any_failed


def _closed(authority) -> frozenset[date]:
    """Return the days off of an authority, its repeated ones by hand: second Tuesdays."""
    import holidays

    off = set(holidays.country_holidays("US", subdiv=authority.state, years=(2025, 2026, 2027)))
    if authority.closures.exists():
        days = (date(2026, 1, 1) + timedelta(days=n) for n in range(730))
        off |= {day for day in days if day.weekday() == 1 and 8 <= day.day <= 14}
    return frozenset(off)


def main() -> None:
    """Run the year and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", type=int, default=200)
    parser.add_argument("--crews", type=int, default=8)
    parser.add_argument("--failing", type=float, default=0.1)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    os.environ["DATABASE_URL"] = "sqlite://:memory:"
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "contractor.settings")
    import django

    django.setup()
    from django.core.management import call_command

    call_command("migrate", verbosity=0)
    make_year(jobs=options.jobs, crews=options.crews)
    done = follow(failing=options.failing)
    told = {
        "jobs": options.jobs,
        "asked": done.asked,
        "in_time": done.in_time,
        "share": done.in_time / done.asked if done.asked else None,
        "failed": done.failed,
        "plans": done.plans,
        "not_made": done.not_made,
        "late": done.late[:10],
    }
    sys.stdout.write(json.dumps(told) + "\n" if options.json else f"{told}\n")


if __name__ == "__main__":
    main()
