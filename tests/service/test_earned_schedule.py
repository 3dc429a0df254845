"""How a job stands in time: its first published plan against what is done."""

from datetime import timedelta

import pytest

from jobs.admin.job_told import index_words
from jobs.models import Phase, Plan
from jobs.selectors.earned import schedule_index
from tests.factories import CrewFactory, PhaseFactory
from tests.service.api import book, make_plan
from tests.service.portfolio import MONDAY

pytestmark = pytest.mark.django_db


@pytest.fixture
def phases() -> list[Phase]:
    """Two phases of 10 h, each booked for one day from midnight to midnight, by the first plan."""
    first = PhaseFactory(code="LAYOUT", sequence=1, labor_hours=10)
    second = PhaseFactory(code="DIG", sequence=2, labor_hours=10, job=first.job)
    crew = CrewFactory()
    plan = make_plan(status=Plan.Status.REPLACED, published_at=MONDAY - timedelta(days=3))
    midnight = MONDAY.replace(hour=0)
    for number, code in enumerate(("LAYOUT", "DIG")):
        start = midnight + timedelta(days=number)
        book(plan, first.job, code, start=start, hours=23.99, crew=crew)
    later = make_plan(published_at=MONDAY)
    book(later, first.job, "DIG", start=midnight + timedelta(days=30), hours=8, crew=crew)
    return [first, second]


def test_half_of_the_work_after_both_days_is_a_day_behind(phases: list[Phase]) -> None:
    Phase.objects.filter(pk=phases[0].pk).update(share_done=1, status="DONE", done_at=MONDAY)

    index = schedule_index(phases[0].job, now=MONDAY + timedelta(days=1))

    assert index is not None
    assert index.earned_periods == pytest.approx(1, abs=0.01)
    assert (index.actual_periods, index.planned_periods) == (2, 2)
    assert index.performance_index == pytest.approx(0.5, abs=0.01)
    assert "1.0 days behind plan; SPI(t) 0.50." in index_words(index)


def test_a_job_that_is_done_keeps_the_days_it_took(phases: list[Phase]) -> None:
    done_at = MONDAY + timedelta(days=3)
    Phase.objects.update(share_done=1, status="DONE", done_at=done_at)

    index = schedule_index(phases[0].job, now=MONDAY + timedelta(days=40))

    assert index is not None
    assert (index.earned_periods, index.actual_periods) == (2, 4)
    assert index.performance_index == 0.5


def test_before_the_first_planned_day_there_is_nothing_to_tell(phases: list[Phase]) -> None:
    index = schedule_index(phases[0].job, now=MONDAY - timedelta(days=2))

    assert index is None
    assert index_words(index) == ""


def test_a_job_that_was_never_published_has_no_schedule_to_earn() -> None:
    assert schedule_index(PhaseFactory().job, now=MONDAY) is None
