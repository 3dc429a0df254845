"""From a crew lead's report to what people see: the step by step seconds.

    python -m tests.bench.report_to_people --jobs 400 --crews 40 --json

A firm publishes a plan. Then reports come that stop work until days later. Measured is how long
each step takes in one process: the report stored, slips found with their causes, the proposal,
publishing it (feeds and all notices are written then), and then the crew's page on its phone, the
booking board of three weeks and the crew's calendar, as the whole service answers for them.
"""

from __future__ import annotations

import argparse
import json
import re
import time as clock
from datetime import timedelta
from statistics import median
from typing import TYPE_CHECKING
from urllib.parse import urlsplit
from uuid import uuid4

from tests.bench.database import own_database

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from django.http import HttpResponse

    from crews.models import Crew


def measure(*, jobs: int, crews: int, reports: int) -> dict[str, object]:
    """Return median seconds of each step."""
    from django.db.models import F
    from django.utils import timezone

    from jobs.models import Booking, FieldReport, Notice, Phase, Slip
    from jobs.selectors.reports import OFFICE
    from jobs.services import planning, proposals, publishing, slips
    from jobs.services.new_report import NewReport
    from jobs.services.reporting import take_reports
    from tests.bench.firm_of_size import build_firm

    now = timezone.localtime().replace(hour=6, minute=0, second=0, microsecond=0)
    build_firm(jobs=jobs, crews=crews, now=now)
    first = planning.plan_now(now=now, budget_seconds=0)
    publishing.publish(plan_id=first.pk, now=now)
    views = _Views(now=now)
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
        views.of_crew(booked.crew)
        seen = views.read()
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
        began = timed("published_with_feeds_and_notices", began)
        for name, read in views.doors.items():
            page = read()
            began = timed(name, began)
            assert page != seen[name], f"{name} shows nothing new"
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


class _Views:
    """What three people look at: the crew on its phone, the office on its board, a calendar."""

    def __init__(self, *, now: datetime) -> None:
        from django.contrib.auth.models import User
        from django.test import Client

        self.now = now
        self.office = Client()
        self.office.force_login(User.objects.create_superuser("bench"))

    def of_crew(self, crew: Crew) -> None:
        """Let a phone of this crew in, and a reader of its calendar."""
        from django.test import Client
        from django.urls import reverse

        from crews.services import feed_links, phones

        phone = Client()
        _, link = phones.invite(crew=crew, person_name="Ada Bright", now=self.now)
        assert phone.post(urlsplit(link).path).status_code == 302
        _, address = feed_links.subscribe(crew=crew, reader="Ada Bright", now=self.now)
        board = f"{reverse('board:index')}?weeks=3"
        self.doors: dict[str, Callable[[], str]] = {
            "phone_page": lambda: _words(phone.get(reverse("phone:week"))),
            "board_page": lambda: _words(self.office.get(board)),
            "feed": lambda: self.office.get(urlsplit(address).path).content.decode(),
        }

    def read(self) -> dict[str, str]:
        """Return what each of them shows now."""
        return {name: read() for name, read in self.doors.items()}


def _words(page: HttpResponse) -> str:
    """Return what a page says in its main part: no keys of forms, and not how old it is."""
    assert page.status_code == 200
    main = page.content.decode().partition("<main")[2] or page.content.decode()
    return re.sub(r"<[^>]+>|\s+", " ", main)


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
