"""Start dates of a building that is not sold: the service's answer, with nothing stored."""

from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from django.apps import apps
from django.db import connection
from django.test.utils import CaptureQueriesContext

from contractor.engine.check import check
from contractor.engine.simulate.chances import NO_CHANCES
from contractor.trade.building import Building, Foundation, Opening, OpeningKind
from contractor.trade.rates import STARTER_RATES
from crews.models import Crew
from inspections.models import Authority
from jobs.models import Job, LeadTime
from jobs.selectors.open_work import open_work
from jobs.services import planning, publishing, start_date_problem
from jobs.services.plan_basis import Basis
from jobs.services.portfolio import with_more_jobs
from jobs.services.start_date_answer import Answer, OptionDates
from jobs.services.start_date_options import OPTIONS, options_for
from jobs.services.start_date_problem import WarmProblem
from jobs.services.start_date_sold import sold_plan
from jobs.services.start_dates import ask
from jobs.services.unsold_jobs import Site, unsold_job
from tests.factories import AuthorityFactory, DayOffFactory
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job, promise_all

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]
SHOP = Building(
    use="SHOP",
    width_ft=30,
    length_ft=40,
    eave_ft=12,
    foundation="POURED_PIER",
    openings=(Opening(kind="WALK_DOOR", width_ft=3, height_ft=7),),
)
FEW_RUNS = 60


@pytest.fixture
def authority(db: None) -> Authority:
    """The authority of a firm with two crews and one sold job."""
    make_firm(crews=2)
    office = AuthorityFactory(name="Harrow County Building Office")
    LeadTime.objects.update(days=2)  # so that labor and concrete set the dates
    cover_digging(make_job(number="26-001", authority=office, promised_on=date(2026, 6, 19)))
    return office


def site_of(authority: Authority | None, **changes: Any) -> Site:
    given = {"county": "Harrow County", "state": "OH", "drive_minutes": 30, "permit_days": 14}
    return Site(**{**given, "authority": authority, **changes})


def answer_for(
    site: Site, *codes: str, building: Building = SHOP, wanted_on: date | None = None
) -> Answer:
    options = [option for option in OPTIONS if option.code in codes]
    return ask(
        building=building,
        site=site,
        options=options,
        now=MONDAY,
        wanted_on=wanted_on,
        runs=FEW_RUNS,
    )


def option(answer: Answer, code: str) -> OptionDates:
    return next(row for row in answer.options if row.code == code)


def everything() -> dict[str, list[Any]]:
    models = [
        model
        for label in ("jobs", "crews", "inspections")
        for model in apps.get_app_config(label).get_models()
    ]
    return {str(model): list(model.objects.order_by("pk").values()) for model in models}


def test_a_building_waits_for_its_permit_its_material_and_its_own_work(authority: Authority):
    (row,) = answer_for(site_of(authority)).options

    assert row.because == ""
    assert row.planned_start_on is not None
    assert row.planned_start_on >= date(2026, 6, 16)  # the permit comes on the 15th
    assert row.planned_finish_on is not None
    assert row.planned_finish_on > row.planned_start_on
    assert {reason.kind for reason in row.reasons} >= {"WORK", "PERMIT"}


def test_days_by_reason_add_up_to_the_days_until_the_finish(authority: Authority):
    for row in answer_for(site_of(authority), *(o.code for o in OPTIONS)).options:
        days = sum(reason.days for reason in row.reasons)
        assert row.planned_finish_on is not None
        assert abs(days - (row.planned_finish_on - MONDAY.date()).days) < 1, row.code


def test_differences_by_reason_add_up_to_the_difference_of_the_finish(authority: Authority):
    answer = answer_for(site_of(authority), "PRECAST_PIERS", "DRYWALL_READY")

    for row in answer.options:
        assert sum(reason.more_days for reason in row.reasons) == pytest.approx(row.more_days)


def test_poured_piers_cost_the_cure_and_precast_ones_save_it(authority: Authority):
    precast = option(answer_for(site_of(authority), "PRECAST_PIERS"), "PRECAST_PIERS")

    cure = next(reason for reason in precast.reasons if reason.kind == "CURE")
    assert cure.days == 0
    assert cure.more_days < -2  # 58 hours at 20 °C: docs/planning.md, one job by hand
    assert "Pour pads" in {row.phase for row in precast.hours_more if row.hours < 0}


def test_more_trusses_cost_labor(authority: Authority):
    closer = option(answer_for(site_of(authority), "TRUSSES_4_FT"), "TRUSSES_4_FT")

    (more,) = closer.hours_more
    assert (more.phase, more.hours > 0) == ("Set trusses and purlins", True)


def test_quantiles_rise_and_the_start_is_before_the_finish(authority: Authority):
    row = answer_for(site_of(authority)).options[0]

    assert row.likely_start is not None
    assert row.likely_finish is not None
    finish = row.likely_finish
    assert None not in (finish.p10, finish.p50, finish.p80, finish.p90)
    assert finish.p10 <= finish.p50 <= finish.p80 <= finish.p90  # type: ignore[operator]
    assert row.likely_start.p50 < finish.p50  # type: ignore[operator]


def test_nothing_starts_before_the_permit_whatever_the_luck(authority: Authority):
    row = answer_for(site_of(authority, permit_days=30)).options[0]

    assert row.likely_start is not None
    assert row.likely_start.p10 is not None
    assert row.likely_start.p10 >= date(2026, 7, 2)


def test_the_same_building_asked_about_as_an_option_has_the_same_luck(authority: Authority):
    answer = answer_for(site_of(authority), "POURED_PIERS")

    described, same = answer.options
    assert replace(same, code=described.code, label=described.label) == described


def test_the_same_question_has_the_same_answer(authority: Authority):
    first, second = (answer_for(site_of(authority), "PRECAST_PIERS") for _ in range(2))

    assert first == second


def test_nothing_is_stored_and_nothing_booked(authority: Authority):
    before = everything()

    with CaptureQueriesContext(connection) as captured:
        answer_for(site_of(authority), "PRECAST_PIERS", wanted_on=date(2026, 6, 10))

    assert everything() == before
    assert all(query["sql"].startswith("SELECT") for query in captured)


def test_queries_do_not_grow_with_jobs_or_options(authority: Authority):
    def count(*codes: str) -> int:
        with CaptureQueriesContext(connection) as captured:
            answer_for(site_of(authority), *codes)
        return len(captured)

    answer_for(site_of(authority))
    few = count("PRECAST_PIERS")
    for number in range(3):
        make_job(number=f"26-10{number}", authority=authority)

    assert count("PRECAST_PIERS", "TRUSSES_4_FT", "ONE_DOOR_MORE") == few


def test_sold_jobs_stay_and_the_new_one_takes_what_is_left(authority: Authority):
    for number in range(2, 8):
        cover_digging(make_job(number=f"26-00{number}", authority=authority))
    draft = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=draft.pk, now=MONDAY)

    busy = answer_for(site_of(authority, permit_days=0)).options[0]

    assert busy.moved_jobs == 0
    assert busy.planned_finish_on is not None
    queue = next(reason for reason in busy.reasons if reason.kind == "QUEUE")
    assert queue.days > 5
    assert all(row.days_late_after == row.days_late_before for row in busy.endangered)


def test_put_first_it_is_done_sooner_and_tells_whose_promise_it_takes(authority: Authority):
    for number in range(2, 8):
        cover_digging(make_job(number=f"26-00{number}", authority=authority))
    draft = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=draft.pk, now=MONDAY)
    promise_all(draft, days=2)

    answer = answer_for(site_of(authority, permit_days=0), wanted_on=date(2026, 6, 12))

    described, first = answer.options
    assert first.code == "WANTED_BY"
    assert first.planned_finish_on is not None
    assert described.planned_finish_on is not None
    assert first.planned_finish_on < described.planned_finish_on
    assert first.moved_jobs > 0
    assert first.endangered
    assert all(isinstance(row.job, Job) and row.job.pk > 0 for row in first.endangered)
    assert described.chance_by_wanted is not None
    assert first.chance_by_wanted is not None
    assert first.chance_by_wanted >= described.chance_by_wanted


def test_a_day_that_is_met_needs_nobody_put_first(authority: Authority):
    answer = answer_for(site_of(authority), wanted_on=date(2027, 6, 1))

    assert [row.code for row in answer.options] == ["AS_DESCRIBED"]
    assert answer.options[0].chance_by_wanted == 1.0


def test_without_luck_a_building_is_done_by_its_planned_day(
    authority: Authority, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(start_date_problem, "_of_part", lambda chances, rows: NO_CHANCES)

    (row,) = answer_for(site_of(authority)).options

    assert row.chance_by_planned == 1.0


def test_the_planned_day_has_the_chance_that_its_draws_give_it(authority: Authority):
    wanted = answer_for(site_of(authority)).options[0].planned_finish_on

    row = answer_for(site_of(authority), wanted_on=wanted).options[0]

    assert row.planned_finish_on == wanted
    assert row.chance_by_planned is not None
    assert 0 < row.chance_by_planned < 1
    assert row.chance_by_planned == row.chance_by_wanted


def test_an_exempt_building_needs_no_permit_and_no_visits(authority: Authority):
    row = answer_for(site_of(None)).options[0]

    assert {reason.kind for reason in row.reasons}.isdisjoint({"PERMIT", "INSPECTION_NOTICE"})
    assert row.planned_start_on is not None
    assert row.planned_start_on < date(2026, 6, 10)


def test_a_firm_without_a_crew_says_so(authority: Authority):
    Crew.objects.update(is_active=False)

    row = answer_for(site_of(authority)).options[0]

    assert "no active crew" in row.because
    assert row.planned_finish_on is None


def test_a_crew_away_makes_it_later(authority: Authority):
    before = answer_for(site_of(authority, permit_days=0)).options[0].planned_finish_on
    for crew in Crew.objects.all():
        DayOffFactory(crew=crew, first_day=date(2026, 6, 2), last_day=date(2026, 6, 19))

    after = answer_for(site_of(authority, permit_days=0)).options[0].planned_finish_on

    assert before is not None
    assert after is not None
    assert after > before


def test_an_option_that_cannot_be_built_says_why(authority: Authority):
    full = replace(
        SHOP, openings=(Opening(kind=OpeningKind.OVERHEAD_DOOR, width_ft=20, height_ft=9, count=6),)
    )

    row = option(answer_for(site_of(authority), "TWO_DOORS_MORE", building=full), "TWO_DOORS_MORE")

    assert row.because.startswith("it cannot be built so: ")


def test_only_options_that_make_another_building_are_offered():
    codes = {row.code for row in options_for(SHOP)}

    assert "POURED_PIERS" not in codes
    assert "TRUSSES_8_FT" not in codes
    assert "NO_LINER" not in codes
    assert {"PRECAST_PIERS", "TRUSSES_4_FT", "STEEL_LINER", "DRYWALL_READY"} <= codes


def test_every_option_gives_a_building_that_can_be_built():
    for chosen in OPTIONS:
        assert isinstance(chosen.change(SHOP), Building)
    assert OPTIONS[0].change(SHOP).foundation == Foundation.PRECAST_PIER


def test_the_plan_with_the_building_keeps_every_rule_of_plans(authority: Authority):
    """The independent check of plans, on the dates alone: nobody in two places, no wait cut."""
    for number in range(2, 6):
        cover_digging(make_job(number=f"26-00{number}", authority=authority))
    job, _ = unsold_job(
        index=0, building=SHOP, site=site_of(authority), rates=STARTER_RATES, now=MONDAY
    )
    sold = sold_plan(Basis(open_work(now=MONDAY)), 450)
    portfolio = with_more_jobs(sold.portfolio, [job])
    warm = WarmProblem(sold, portfolio)

    for one in (warm.in_the_gaps(0, due=None), warm.put_first(0)):
        problem = warm.with_job(0, of=portfolio.problem)
        bare = [
            place and replace(place, because=place.bounds[0]._replace(slot=0), bounds=())
            for place in one.schedule.placed
        ]
        found = check(problem, replace(one.schedule, placed=tuple(bare)))
        assert [row.text for row in found if "reason" not in row.text] == []
