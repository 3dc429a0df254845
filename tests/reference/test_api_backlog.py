"""The backlog's numbers against outside definitions and an independent count."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import numpy as np
import pytest

from jobs.models import Job, Phase
from jobs.selectors.backlog import backlog
from jobs.selectors.crew_load import CrewDays, active_crews, crew_loads, firm_days_off
from tests.factories import (
    CrewFactory,
    DayOffFactory,
    FirmFactory,
    JobFactory,
    PhaseFactory,
    WorkHoursFactory,
)
from tests.service.api import book, make_plan
from tests.service.portfolio import MONDAY

pytestmark = pytest.mark.django_db

FOUR_TENS = {"friday": "", **dict.fromkeys(("monday", "tuesday"), "07:00-17:00")} | dict.fromkeys(
    ("wednesday", "thursday"), "07:00-17:00"
)


def framing_job(hours: float, value: str) -> Job:
    """Return a job next to the yard that has only framing left."""
    job = JobFactory(contract_value_usd=Decimal(value), drive_minutes=0)
    PhaseFactory(job=job, code="FRAME", labor_hours=hours)
    return job


def test_sixty_crew_days_are_five_weeks_for_three_crews_of_four_day_weeks():
    """
    Backlog weeks = backlog crew-days ÷ (crews × net work days a week).

    Common practice, no source; the example is our own arithmetic: $168,000 at $2,800 a crew-day
    is 60 crew-days, and 60 ÷ (3 × 4) = 5 weeks. A crew of four does 40 labor hours in ten hours.
    """
    week = WorkHoursFactory(**FOUR_TENS)
    for _ in range(3):
        CrewFactory(size=4, work_hours=week)
    framing_job(1000, "70000.00")
    framing_job(1400, "98000.00")

    found = backlog(now=MONDAY)

    assert found.total.not_earned_usd == Decimal("168000.00")
    assert found.total.crew_days == pytest.approx(60)
    assert found.weeks == pytest.approx(5)
    assert float(found.total.not_earned_usd) / 60 == 2800


def test_what_remains_to_be_earned_is_the_contract_less_the_share_of_hours_done():
    """
    Remaining performance obligations by an input measure of progress, labor hours.

    Source: ASC 606-10-50-13 and 606-10-25-31 (from memory); percent complete × contract is
    earned. The figures are our own arithmetic: 30 of 80 hours done of $100,000 leaves $62,500.
    """
    job = framing_job(30, "100000.00")
    PhaseFactory(job=job, code="ROOF", sequence=7, labor_hours=50)
    Phase.objects.filter(code="FRAME").update(status="DONE", done_at=MONDAY)

    assert backlog(now=MONDAY).total.not_earned_usd == Decimal("62500.00")


def test_net_work_days_a_week_agree_with_numpys_business_days():
    """Source: numpy.busday_count, an independent count of weekdays less holidays."""
    FirmFactory()
    CrewFactory()
    off = [date(2026, 7, 3), date(2026, 9, 7), date(2026, 11, 26), date(2026, 12, 25)]
    for day in off:
        DayOffFactory(first_day=day)
    today = date(2026, 6, 1)
    (crew,) = active_crews()

    days = CrewDays(crew, firm_off=firm_days_off()).work_days_a_week(today)

    until = today + timedelta(days=364)
    assert days == np.busday_count(today, until, holidays=off) / 52


@pytest.mark.parametrize(
    ("now", "week"),
    [
        (datetime(2026, 12, 31, 17, tzinfo=UTC), "2026-W53"),
        (datetime(2027, 1, 1, 17, tzinfo=UTC), "2026-W53"),
        (datetime(2027, 1, 4, 17, tzinfo=UTC), "2027-W01"),
        (datetime(2024, 12, 30, 17, tzinfo=UTC), "2025-W01"),
    ],
)
def test_weeks_are_named_as_iso_8601_names_them(now: datetime, week: str):
    """Source: ISO 8601-1, week 01 is the week with the year's first Thursday (from memory)."""
    CrewFactory()

    (load,) = crew_loads(list(active_crews()), now=now)

    assert [row.week for row in load.weeks] == [week]


def test_the_week_in_which_clocks_go_back_has_its_usual_working_hours():
    """Clocks go back on Sunday, Nov 1, 2026: 15 U.S.C. 260a, first Sunday of November."""
    crew = CrewFactory()
    job = framing_job(100, "1.00")
    start = MONDAY.replace(month=10, day=26, hour=7)
    now = start.replace(hour=6)
    # Monday 7:00 to the next Friday 15:30, local time: two full weeks.
    end = MONDAY.replace(month=11, day=6, hour=15, minute=30)
    hours = (end.astimezone(UTC) - start.astimezone(UTC)) / timedelta(hours=1)
    book(make_plan(), job, "FRAME", start=start.astimezone(UTC), hours=hours, crew=crew)

    (load,) = crew_loads(list(active_crews()), now=now)

    assert [row.on_site_hours for row in load.weeks] == [42.5, 42.5]
