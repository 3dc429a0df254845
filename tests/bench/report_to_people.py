"""From a crew lead's report to what people see: the step by step seconds.

    python -m tests.bench.report_to_people --jobs 400 --crews 40 --json

A firm publishes a plan. Then reports come that stop work until days later. Measured is how long
each step takes in one process: the report stored, slips found with their causes, the proposal,
publishing it (board and feeds are read from what that writes), and all notices written.
"""

import argparse
import json
import time as clock
from datetime import timedelta
from statistics import median
from uuid import uuid4

from tests.bench.database import own_database


def measure(*, jobs: int, crews: int, reports: int) -> dict[str, object]:
    """Return median seconds of each step."""
    from django.db.models import F
    from django.utils import timezone

    from jobs.models import Booking, FieldReport, Notice, Phase, Slip
    from jobs.selectors.reports import OFFICE
    from jobs.services import planning, proposals, publishing, slips
    from jobs.services.reporting import NewReport, take_reports
    from tests.bench.firm_of_size import build_firm

    now = timezone.localtime().replace(hour=6, minute=0, second=0, microsecond=0)
    build_firm(jobs=jobs, crews=crews, now=now)
    first = planning.plan_now(now=now, budget_seconds=0)
    publishing.publish(plan_id=first.pk, now=now)
    steps: dict[str, list[float]] = {}
    processor: dict[str, list[float]] = {}

    def timed(name: str, began: tuple[float, float]) -> tuple[float, float]:
        ends = _clocks()
        steps.setdefault(name, []).append(ends[0] - began[0])
        processor.setdefault(name, []).append(ends[1] - began[1])
        return ends

    for number in range(reports):
        moment = now + timedelta(minutes=15 * (number + 1))
        booked = (
            Booking.objects.filter(
                is_live=True, crew__isnull=False, phase__status=Phase.Status.OPEN
            )
            .exclude(phase__stopped_by__gt="")
            .order_by(F("starts_at"), "id")[number]
        )
        began = whole = _clocks()
        report = NewReport(
            id=uuid4(),
            phase_id=booked.phase_id,
            kind=FieldReport.Kind.STOPPED,
            made_at=moment,
            stopped_by="EQUIPMENT",
            stopped_until=booked.ends_at + timedelta(days=3),
        )
        take_reports(reports=[report], who=OFFICE, now=moment)
        began = timed("report_stored", began)
        found = slips.compare_published(now=moment, trigger="a report")
        began = timed("slips_found", began)
        row = proposals.propose(reason="a report", now=moment)
        began = timed("proposal_made", began)
        proposals.accept(proposal_id=row.pk, plan_id=row.plan.pk, now=moment)
        timed("published_with_feeds_and_notices", began)
        timed("whole", whole)
        assert found.new or found.grown or number
    return {
        "open_jobs": jobs,
        "crews": crews,
        "reports": reports,
        "slips": Slip.objects.count(),
        "notices": Notice.objects.count(),
        "median_seconds": {name: round(median(row), 3) for name, row in steps.items()},
        "median_processor_seconds": {
            name: round(median(row), 3) for name, row in processor.items()
        },
        "longest_seconds": {name: round(max(row), 3) for name, row in steps.items()},
    }


def _clocks() -> tuple[float, float]:
    """Return the clock on the wall and the processor's: others on the machine slow the first."""
    return clock.perf_counter(), clock.process_time()


def main() -> None:
    """Measure one size of firm."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--jobs", type=int, default=40)
    parser.add_argument("--crews", type=int, default=5)
    parser.add_argument("--reports", type=int, default=5)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    with own_database():
        row = measure(jobs=asked.jobs, crews=asked.crews, reports=asked.reports)
    print(json.dumps(row, indent=2) if asked.json else row)


if __name__ == "__main__":
    main()
