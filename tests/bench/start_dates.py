"""
How long an answer about start dates takes, by how many options are asked about.

    python -m tests.bench.start_dates --json
    python -m tests.bench.start_dates --jobs 200 --crews 20 --json

Measured from the described building to the answer, reading the open work included, with all
kernels loaded before.
"""

import argparse
import json
import sys
import time as clock
from statistics import median

from tests.bench.database import own_database

COUNTS = (0, 1, 3, 6)


def measure(*, repeats: int, jobs: int, crews: int) -> list[dict[str, object]]:
    """
    Return seconds by the clock and of the processor for each number of options.

    Of the demo firm, or of one with so many open jobs and crews.
    """
    from django.utils import timezone

    from contractor import roles
    from contractor.trade.building import Building
    from inspections.models import Authority
    from jobs.services import demo, planning, publishing
    from jobs.services.start_date_options import options_for
    from jobs.services.start_dates import RUNS, ask
    from jobs.services.unsold_jobs import Site
    from tests.bench.firm_of_size import build_firm

    now = timezone.now()
    roles.ensure_groups()
    if jobs:
        build_firm(jobs=jobs, crews=crews, now=now)
        plan = planning.plan_now(now=now, budget_seconds=0)
        publishing.publish(plan_id=plan.pk, now=now)
    else:
        demo.load_firm(now=now)
        demo.publish_a_plan(now=now, budget_seconds=2)
    building = Building(
        use="SHOP", width_ft=40, length_ft=60, eave_ft=14, foundation="PRECAST_PIER"
    )
    authority = Authority.objects.order_by("id")[0]
    site = Site(
        county=authority.county,
        state=authority.state,
        drive_minutes=30,
        authority=authority,
        permit_days=21,
    )
    options = options_for(building)
    rows = []
    for count in COUNTS:
        walls, works = [], []
        for _ in range(repeats + 1):
            began, began_work = clock.perf_counter(), clock.process_time()
            ask(building=building, site=site, options=options[:count], now=now)
            walls.append(clock.perf_counter() - began)
            works.append(clock.process_time() - began_work)
        rows.append(
            {
                "options": count,
                "draws": RUNS,
                "seconds": round(median(walls[1:]), 3),
                "processor_seconds": round(median(works[1:]), 3),
            }
        )
    return rows


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--jobs", type=int, default=0, help="0: the demo firm")
    parser.add_argument("--crews", type=int, default=8)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    if asked.repeats < 1:
        parser.error("--repeats must be at least 1")
    with own_database():
        rows = measure(repeats=asked.repeats, jobs=asked.jobs, crews=asked.crews)
    if asked.json:
        json.dump({"start_dates": rows}, sys.stdout, indent=2)
        print()
        return
    for row in rows:
        print(row)


if __name__ == "__main__":
    main()
