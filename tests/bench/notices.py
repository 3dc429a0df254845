"""Notices against people affected, on random slips, in a database of its own.

    python -m tests.bench.notices --slips 50 --json

A firm with crews and jobs publishes a plan. Then, again and again, something random happens, the
repaired draft is published, and the people who got a notice are compared with those whom the two
plans' bookings say are affected. They must be the same, every time.
"""

from __future__ import annotations

import argparse
import json
import sys
from datetime import date, datetime, timedelta
from random import Random
from typing import TYPE_CHECKING

from tests.bench.database import own_database

if TYPE_CHECKING:
    from jobs.models import Job, Plan


def random_facts(rng: Random, now: datetime) -> str:
    """Let one random thing happen, and return what."""
    from crews.models import Crew, DayOff
    from jobs.models import Delivery, Job, Phase

    jobs = list(Job.objects.order_by("id"))
    job = rng.choice(jobs)
    kind = rng.choice(["delivery", "hours", "day off", "crew day off"])
    day = now.date() + timedelta(days=rng.randint(1, 30))
    if kind == "delivery":
        Delivery.objects.filter(job=job, item="TRUSSES").update(arrived_on=None, promised_on=day)
    elif kind == "hours":
        open_phases = Phase.objects.filter(job=job, status="OPEN", labor_hours__gt=0)
        phase = rng.choice(list(open_phases.order_by("id")))
        hours = phase.labor_hours * rng.choice([0.7, 1.5, 3.0])
        Phase.objects.filter(pk=phase.pk).update(office_hours=hours)
    else:
        crew = rng.choice(list(Crew.objects.order_by("id"))) if kind == "crew day off" else None
        last = day + timedelta(days=rng.randint(0, 3))
        DayOff.objects.create(crew=crew, first_day=day, last_day=last, reason="random")
    return f"{kind} of {job.number}"


def affected(before: Plan, after: Plan) -> set[str]:
    """Return whom a new plan affects, told from the rows alone; like user:4."""
    from crews.models import Crew
    from jobs.models import Job

    old, new = _rows(before), _rows(after)
    crews: set[int] = set()
    for phase in old.keys() | new.keys():
        if old.get(phase) != new.get(phase):
            for row in (old.get(phase), new.get(phase)):
                if row is not None and row[0] is not None:
                    crews.add(row[0])
    told = {f"user:{crew.lead_id}" for crew in Crew.objects.filter(pk__in=crews)}
    if _kept(before, old) ^ _kept(after, new):
        told |= {f"user:{pk}" for pk in _of_groups("Office", "Owner")}
    for job in Job.objects.filter(tells_buyer=True):
        if _days(old, job) != _days(new, job):
            told.add(f"buyer:{job.pk}")
    return told


def _rows(plan: Plan) -> dict[int, tuple[int | None, datetime, datetime]]:
    from jobs.models import Booking

    rows = Booking.objects.filter(plan=plan).values_list("phase", "crew", "starts_at", "ends_at")
    return {phase: (crew, starts, ends) for phase, crew, starts, ends in rows}


def _kept(plan: Plan, rows: dict[int, tuple[int | None, datetime, datetime]]) -> set[int]:
    """Return the jobs whose promise a plan keeps."""
    from jobs.models import Job

    kept = set()
    for job in Job.objects.exclude(promised_on=None).prefetch_related("phases"):
        ends = [rows[phase.pk][2] for phase in job.phases.all() if phase.pk in rows]
        if ends and _local(max(ends)) <= job.promised_on:
            kept.add(job.pk)
    return kept


def _days(
    rows: dict[int, tuple[int | None, datetime, datetime]], job: Job
) -> tuple[date, date] | None:
    mine = [rows[phase.pk] for phase in job.phases.all() if phase.pk in rows]
    if not mine:
        return None
    return _local(min(row[1] for row in mine)), _local(max(row[2] for row in mine))


def _local(moment: datetime) -> date:
    from django.utils import timezone

    return timezone.localtime(moment).date()


def _of_groups(*names: str) -> set[int]:
    from django.contrib.auth.models import User

    return set(User.objects.filter(groups__name__in=names).values_list("pk", flat=True))


def main() -> None:
    """Run it in a database of its own and tell the counts."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--slips", type=int, default=50)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    with own_database():
        row = _measure(asked.slips, asked.seed)
    print(json.dumps(row, indent=2) if asked.json else row, file=sys.stdout)


def _measure(slips: int, seed: int) -> dict[str, int]:
    from jobs.models import Notice
    from jobs.selectors import plans
    from jobs.services import planning, publishing
    from tests.bench.firm_of_size import build_firm
    from tests.service.portfolio import MONDAY

    build_firm(now=MONDAY)
    first = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=first.pk, now=MONDAY)
    rng = Random(seed)
    counts = {"slips": 0, "people_affected": 0, "notices": 0, "differences": 0, "moved_nobody": 0}
    for number in range(slips):
        before = plans.published_plan()
        assert before is not None
        now = MONDAY + timedelta(minutes=15 * (number % 4))
        random_facts(rng, now)
        draft = planning.repair_now(reason="a random slip", now=now).base
        assert draft is not None
        publishing.publish(plan_id=draft.pk, now=now)
        rows = Notice.objects.filter(event=f"plan:{draft.pk}").values_list("person", flat=True)
        told, should = set(rows), affected(before, draft)
        counts["slips"] += 1
        counts["people_affected"] += len(should)
        counts["notices"] += len(rows)
        counts["differences"] += len(told ^ should)
        counts["moved_nobody"] += not should
    return counts


if __name__ == "__main__":
    main()
