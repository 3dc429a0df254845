"""What binds a start is kept with the booking, and read back as the engine told it."""

from datetime import date

import pytest

from contractor.engine.crew_report import path_back
from jobs.models import Booking, Delivery, Plan
from jobs.selectors.stored_plan import stored_plan
from jobs.services import plan_making, planning, publishing
from tests.factories import DayOffFactory
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = pytest.mark.django_db


@pytest.fixture
def crews() -> None:
    """One crew, so that jobs wait for each other."""
    make_firm(crews=1)


def make_work() -> Plan:
    for number in ("26-001", "26-002"):
        make_job(number=number)
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    return publishing.publish(plan_id=plan.pk, now=MONDAY).plan


def let_trusses_be_late() -> None:
    Delivery.objects.filter(job__number="26-001", item="TRUSSES").update(
        arrived_on=None, promised_on=date(2026, 7, 8)
    )


@pytest.mark.usefixtures("crews")
def test_what_makes_work_later_than_announced_is_kept_by_its_kind() -> None:
    make_work()
    let_trusses_be_late()

    plan_making.store(plan_making.repair(now=MONDAY))

    late = Booking.objects.get(plan__status="DRAFT", because__contains="russes promised")
    assert (late.because_kind, late.behind_kind) == ("frozen", "release")


@pytest.mark.usefixtures("crews")
def test_work_kept_where_it_was_announced_has_nothing_behind_it() -> None:
    make_work()

    plan = plan_making.store(plan_making.repair(now=MONDAY))

    kept = Booking.objects.filter(plan=plan, because_kind="frozen")
    assert kept.exists()
    assert set(kept.values_list("behind_kind", flat=True)) == {""}


@pytest.mark.parametrize("repaired", [True, False])
@pytest.mark.usefixtures("crews")
def test_a_stored_reason_goes_back_to_what_the_engine_said(repaired: bool) -> None:
    """However the engine words it: the kinds along each path are the same, stored or not."""
    make_work()
    let_trusses_be_late()
    DayOffFactory(crew_id=Booking.objects.exclude(crew=None).values("crew")[:1], **WEEK_OFF)
    proposal = (
        plan_making.repair(now=MONDAY)
        if repaired
        else plan_making.propose(now=MONDAY, budget_seconds=0)
    )

    stored = stored_plan(plan_making.store(proposal))

    portfolio, schedule = proposal.portfolio, proposal.result.schedule
    index_of = {row.phase_id: index for index, row in enumerate(stored.bookings)}
    behind = 0
    for placed in schedule.placed:
        assert placed is not None
        first = portfolio.stretches[placed.activity].first
        told = path_back(portfolio.problem, schedule, placed.activity)[0].because.kind
        kept = path_back(stored.problem, stored.schedule, index_of[first.pk])[0].because.kind
        assert kept == told, first
        behind += bool(stored.bookings[index_of[first.pk]].behind_kind)
    assert behind or not repaired


WEEK_OFF = {"first_day": date(2026, 6, 8), "last_day": date(2026, 6, 13)}
