"""Start dates where a draw takes longer than the days for which people are lent."""

from datetime import date, timedelta

import pytest

from contractor.trade.building import Building
from crews.models import Crew
from jobs.models import LeadTime, LentPeople
from jobs.selectors.open_work import open_work
from jobs.services.plan_basis import FIRST_HORIZON_DAYS, Basis
from jobs.services.start_date_sold import sold_plan
from jobs.services.start_dates import ask
from jobs.services.unsold_jobs import Site
from tests.factories import AuthorityFactory
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]
SHOP = Building(use="SHOP", width_ft=30, length_ft=40, eave_ft=12, foundation="POURED_PIER")
RUNS = 60


@pytest.fixture
def site(db: None) -> Site:
    """A site beside one sold job, for a firm of two crews."""
    make_firm(crews=2)
    office = AuthorityFactory(name="Harrow County Building Office")
    LeadTime.objects.update(days=2)  # so that labor and concrete set the dates
    cover_digging(make_job(number="26-001", authority=office, promised_on=date(2026, 6, 19)))
    return Site(
        county="Harrow County",
        state="OH",
        drive_minutes=30,
        authority=office,
        permit_days=0,
    )


def lend_until(last_day: date, site: Site) -> None:
    """Lend three people from one crew to the other, from Monday to a day."""
    north, south = Crew.objects.order_by("pk")
    LentPeople.objects.create(
        from_crew=south, to_crew=north, people=3, first_day=MONDAY.date(), last_day=last_day
    )


def test_a_building_whose_work_outlasts_lent_people_is_done_without_them(site: Site) -> None:
    """Its walls are planned to their last day; a draw that takes longer once had no end at all."""
    lend_until(date(2026, 6, 24), site)

    (described,) = ask(building=SHOP, site=site, options=[], now=MONDAY, runs=RUNS).options

    likely, planned_on = described.likely_finish, described.planned_finish_on
    assert likely is not None
    assert planned_on is not None
    assert likely.p90 is not None
    assert likely.p90 - planned_on < timedelta(days=21)


def test_sold_work_that_outlasts_lent_people_is_done_without_them(site: Site) -> None:
    """A crew that waits for ever would leave no chance to other promises, whoever is added."""
    lend_until(date(2026, 6, 10), site)

    sold = sold_plan(Basis(open_work(now=MONDAY)), FIRST_HORIZON_DAYS)

    # Beyond its axis is what never ends.
    assert int(sold.drawn(RUNS).finishes.max()) < sold.problem.axis.slots
