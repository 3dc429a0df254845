"""Start dates on what was read and planned before: the same as anew, while no row is another."""

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from contractor.trade.building import Building
from contractor.trade.rates import STARTER_RATES
from crews.models import Crew
from inspections.models import Authority
from jobs.models import Booking, LeadTime
from jobs.selectors import work_state as states
from jobs.selectors.open_work import open_work
from jobs.services import planning, publishing, start_date_runs
from jobs.services.chances import OddsInMaking
from jobs.services.plan_basis import FIRST_HORIZON_DAYS, Basis
from jobs.services.portfolio import with_more_jobs
from jobs.services.start_date_answer import Answer
from jobs.services.start_date_options import options_for
from jobs.services.start_date_problem import WarmProblem
from jobs.services.start_date_sold import sold_plan
from jobs.services.start_dates import ask
from jobs.services.unsold_jobs import Site, unsold_job
from tests.factories import AuthorityFactory, DayOffFactory
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job, promise_all

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]
SHOP = Building(use="SHOP", width_ft=30, length_ft=40, eave_ft=12, foundation="POURED_PIER")
FEW_RUNS = 40


@pytest.fixture
def authority(db: None) -> Authority:
    """The authority of a firm with two crews and four sold jobs, published from Monday on."""
    make_firm(crews=2)
    office = AuthorityFactory(name="Harrow County Building Office")
    LeadTime.objects.update(days=2)
    for number in range(1, 5):
        cover_digging(make_job(number=f"26-00{number}", authority=office))
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=MONDAY)
    promise_all(plan, days=3)
    return office


def site_of(authority: Authority, drive_minutes: int = 30) -> Site:
    return Site(
        county="Harrow County",
        state="OH",
        drive_minutes=drive_minutes,
        authority=authority,
        permit_days=0,
    )


def answer_for(site: Site, building: Building = SHOP, *, runs: int = FEW_RUNS) -> Answer:
    options = options_for(building)[:3]
    wanted_on = date(2026, 6, 24)
    return ask(
        building=building, site=site, options=options, now=MONDAY, wanted_on=wanted_on, runs=runs
    )


def test_a_second_question_reads_no_work_and_one_after_a_change_does(
    authority: Authority, name_state: Callable[[], None]
) -> None:
    def reads() -> bool:
        with CaptureQueriesContext(connection) as asked:
            answer_for(site_of(authority))
        return any('FROM "jobs_leanto"' in query["sql"] for query in asked)

    assert reads()
    assert not reads()
    name_state()
    assert reads()


def test_questions_leave_no_trace_in_what_is_kept(
    authority: Authority, name_state: Callable[[], None]
) -> None:
    """Whatever was asked between, an answer is as on rows read anew."""
    near, far = site_of(authority), site_of(authority, drive_minutes=75)
    precast = replace(SHOP, foundation="PRECAST_PIER", length_ft=60)
    first = answer_for(near)
    answer_for(far, precast)

    assert answer_for(near) == first
    after_others = answer_for(far, precast)
    name_state()
    assert answer_for(far, precast) == after_others


def test_a_change_is_seen_by_the_next_question(
    authority: Authority, name_state: Callable[[], None]
) -> None:
    before = answer_for(site_of(authority)).options[0].planned_finish_on
    for crew in Crew.objects.all():
        DayOffFactory(crew=crew, first_day=date(2026, 6, 2), last_day=date(2026, 7, 24))
    name_state()

    after = answer_for(site_of(authority)).options[0].planned_finish_on

    assert before is not None
    assert after is not None
    assert after > before


def test_every_table_that_is_read_is_looked_at(authority: Authority) -> None:
    with CaptureQueriesContext(connection) as asked:
        answer_for(site_of(authority))
    read = {
        table for query in asked for table in re.findall(r'(?:FROM|JOIN) "(\w+)"', query["sql"])
    }
    assert read - {Booking._meta.db_table} <= set(states.tables())


def test_chances_of_added_jobs_are_those_of_all_jobs_together(authority: Authority) -> None:
    sold = sold_plan(Basis(open_work(now=MONDAY)), FIRST_HORIZON_DAYS)
    precast = replace(SHOP, foundation="PRECAST_PIER")
    jobs = [
        unsold_job(
            index=index,
            building=building,
            site=site_of(authority, drive_minutes=75),
            rates=STARTER_RATES,
            now=MONDAY,
        )[0]
        for index, building in enumerate((SHOP, precast))
    ]
    portfolio = with_more_jobs(sold.portfolio, jobs)
    warm = WarmProblem(sold, portfolio)
    schedule = warm.all_of([warm.in_the_gaps(row, due=None) for row in range(len(jobs))])

    added = sold.odds.with_more(portfolio, schedule)
    together = OddsInMaking(portfolio, schedule, sold.learned)

    assert added.rows.keys() == together.rows.keys()
    for i, row in added.rows.items():
        other = together.rows[i]
        assert replace(row, again_wait=0) == replace(other, again_wait=0)
        if row.again_wait is not None and other.again_wait is not None:
            waits = added.waits[row.again_wait], together.waits[other.again_wait]
            assert (waits[0].table == waits[1].table).all()
    assert added.variants.keys() == together.variants.keys()
    assert added.late_by == together.late_by
    assert [wait.key for wait in added.waits] == [wait.key for wait in together.waits]


def test_options_drawn_less_often_agree_with_all_draws(
    authority: Authority, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Within what docs/start-dates.md says, "Fewer draws"."""
    full = answer_for(site_of(authority), runs=200)
    monkeypatch.setattr(start_date_runs, "MOST_DRAWN", 0)
    few = answer_for(site_of(authority), runs=200)

    assert few.options[0] == full.options[0]
    for less, more in zip(few.options, full.options, strict=True):
        assert less.planned_finish_on == more.planned_finish_on
        assert less.likely_finish is not None
        assert more.likely_finish is not None
        for share in ("p50", "p80"):
            days = getattr(less.likely_finish, share) - getattr(more.likely_finish, share)
            assert abs(days.days) <= 4, (less.code, share)
        assert less.chance_by_wanted == pytest.approx(more.chance_by_wanted, abs=0.06)
        found = {row.job.pk: row.chance_after for row in more.endangered}
        for row in less.endangered:
            if row.job.pk in found:
                assert row.chance_after == pytest.approx(found[row.job.pk], abs=0.06)
    drawn = {row.code: row.runs for row in few.options}
    assert drawn.pop("AS_DESCRIBED") == drawn.pop("WANTED_BY") == 200
    assert set(drawn.values()) == {start_date_runs.FEW_RUNS}
