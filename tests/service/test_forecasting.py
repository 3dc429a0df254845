"""Forecasts of the published plan: kept as made, alike for any workers, never before physics."""

import json
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from contractor.engine.simulate.simulation import simulate
from jobs import tasks
from jobs.models import (
    Delivery,
    Forecast,
    ForecastChunk,
    Job,
    JobForecast,
    Phase,
    PhaseForecast,
    Plan,
    TaskRequest,
)
from jobs.selectors import forecasts
from jobs.services import forecasting, planning, publishing
from tests.factories import WeatherAreaFactory
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job

pytestmark = pytest.mark.django_db
DRAWS = 60
NAMES = ("p10", "p50", "p80", "p90")


def publish_plan(now: datetime = MONDAY) -> Plan:
    plan = planning.plan_now(now=now, budget_seconds=0)
    return publishing.publish(plan_id=plan.pk, now=now).plan


@pytest.fixture
def jobs() -> list[Job]:
    make_firm()
    found = [make_job(number=f"26-00{n}", promised_on=date(2026, 7, 10 + n)) for n in (1, 2)]
    for job in found:
        cover_digging(job)
    return found


@pytest.fixture
def plan(jobs: list[Job]) -> Plan:
    return publish_plan()


def rows_of(forecast: Forecast) -> list[dict[str, Any]]:
    """Return all that a forecast says, without the numbers of its rows."""
    return [
        {name: value for name, value in row.items() if name not in ("id", "forecast_id")}
        for model in (JobForecast, PhaseForecast)
        for row in model.objects.filter(forecast=forecast).order_by("id").values()
    ]


def test_a_forecast_tells_quantiles_in_order_for_every_job_and_phase(
    plan: Plan, jobs: list[Job]
) -> None:
    forecast = forecasting.forecast_now(now=MONDAY, draws=DRAWS)

    assert forecast.status == Forecast.Status.DONE
    assert forecast.plan == plan
    assert "Nobody plans again" in forecast.policy
    assert [row.job for row in forecast.jobs.order_by("job__number")] == jobs
    assert forecast.phases.count() == plan.bookings.count()
    for row in (*forecast.jobs.all(), *forecast.phases.all()):
        for edge in ("start", "finish"):
            told = [getattr(row, f"{edge}_{name}") for name in NAMES]
            assert told == sorted(told)
        assert row.start_p10 < row.finish_p10


def test_the_same_rows_and_seed_give_the_same_forecast_in_threads_and_in_chunks(
    plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(forecasting, "RUNS_IN_A_CHUNK", 25)
    one = forecasting.forecast_now(now=MONDAY, draws=DRAWS)
    two = forecasting.forecast_now(now=MONDAY, draws=DRAWS, workers=2)
    begun = forecasting.begin(now=MONDAY, draws=DRAWS)
    chunks = list(begun.chunks.order_by("-first_run").values_list("pk", flat=True))
    done = [forecasting.make_chunk(chunk_id=pk) for pk in chunks]

    assert len(chunks) == 3
    assert done[:2] == [None, None]
    assert done[2] == begun
    assert rows_of(one) == rows_of(two) == rows_of(begun)
    assert not ForecastChunk.objects.exists()


def test_another_seed_gives_other_draws(plan: Plan) -> None:
    one, two = (forecasting.forecast_now(now=MONDAY, draws=DRAWS, seed=seed) for seed in (1, 2))

    assert rows_of(one) != rows_of(two)


def test_a_chunk_that_comes_twice_is_made_once(plan: Plan) -> None:
    begun = forecasting.begin(now=MONDAY, draws=DRAWS)
    chunk = begun.chunks.get()

    assert forecasting.make_chunk(chunk_id=chunk.pk) == begun
    assert forecasting.make_chunk(chunk_id=chunk.pk) is None
    assert begun.jobs.count() == 2


def test_draws_whose_worker_died_before_the_merge_are_sent_again(plan: Plan) -> None:
    begun = forecasting.begin(now=MONDAY, draws=DRAWS)
    later = MONDAY + timedelta(minutes=5)
    seen = forecasting.outlook(now=MONDAY)
    drawn = simulate(
        seen.odds.problem, seen.schedule, seen.odds.chances, runs=DRAWS, seed=begun.seed
    )
    begun.chunks.update(dates=forecasting._packed(drawn))

    waiting = forecasting.open_chunks(begun_before=later)

    assert waiting == [begun.chunks.get().pk]
    assert forecasting.make_chunk(chunk_id=waiting[0]) == begun


def test_a_chunk_gives_up_once_the_work_has_changed_and_asks_anew(
    plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tasks.run_task_request, "delay", lambda **given: None)
    begun = forecasting.begin(now=MONDAY, draws=DRAWS)
    Phase.objects.filter(code="FRAME").update(office_hours=80)

    tasks.make_forecast_chunk(chunk_id=begun.chunks.get().pk)

    begun.refresh_from_db()
    assert begun.status == Forecast.Status.OVERTAKEN
    assert not begun.chunks.exists()
    assert TaskRequest.objects.get().kind == TaskRequest.Kind.ODDS


def test_a_request_of_the_morning_makes_the_forecast_through_its_chunks(
    plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(forecasting, "DRAWS", DRAWS)
    sent: list[int] = []
    monkeypatch.setattr(
        tasks.make_forecast_chunk, "delay", lambda *, chunk_id: sent.append(chunk_id)
    )
    tasks.enqueue_task(kind=TaskRequest.Kind.ODDS, reason="a test")

    tasks.run_task_request(task_request_id=TaskRequest.objects.get().pk)
    for chunk_id in sent:
        tasks.make_forecast_chunk(chunk_id=chunk_id)

    assert Forecast.objects.get().status == Forecast.Status.DONE


def test_no_draw_begins_before_what_it_waits_for(plan: Plan) -> None:
    Delivery.objects.filter(job__number="26-001", item="TRUSSES").update(
        arrived_on=None, promised_on=date(2026, 6, 25)
    )
    seen = forecasting.outlook(now=MONDAY)
    problem = seen.odds.problem
    drawn = simulate(problem, seen.schedule, seen.odds.chances, runs=DRAWS)

    for i, activity in enumerate(problem.activities):
        assert (drawn.starts[i] >= max(activity.release, problem.now)).all()
    for link in problem.links:
        begun = drawn.starts if link.start_to_start else drawn.finishes
        leader = begun[link.before]
        free = np.asarray(problem.waits[link.wait].table)[leader] if link.wait else leader
        warmest = seen.odds.chances.wait_variants.get(link.wait) if link.wait else None
        if warmest:
            free = np.min([table[leader] for table in warmest], axis=0)
        assert (drawn.starts[link.after] >= free).all()


def test_a_late_delivery_makes_the_job_later_and_is_told_as_its_driver(plan: Plan) -> None:
    Delivery.objects.filter(job__number="26-001", item="TRUSSES").update(
        arrived_on=None, promised_on=date(2026, 6, 5), supplier="Slow Truss Works"
    )
    last = max(row.ends_at for row in plan.bookings.filter(phase__job__number="26-001"))
    Job.objects.filter(number="26-001").update(promised_on=timezone.localdate(last))
    forecast = forecasting.forecast_now(now=MONDAY, draws=200)

    row = forecast.jobs.get(job__number="26-001")
    other = forecast.jobs.get(job__number="26-002")
    assert row.drivers["SUPPLIER:Slow Truss Works"] > 0
    assert sum(row.drivers.values()) == pytest.approx(row.expected_days_late, abs=0.01)
    assert all(not cause.startswith("SUPPLIER") for cause in other.drivers)


def test_weather_is_drawn_and_not_counted_twice(jobs: list[Job]) -> None:
    WeatherAreaFactory(rain_days_010="9 " * 11 + "9", rain_days_025="5 " * 11 + "5")
    publish_plan()
    seen = forecasting.outlook(now=MONDAY)
    clear = seen.portfolio.calendars.clear

    assert clear
    assert all(seen.odds.problem.calendars[i] is calendar for i, calendar in clear.items())
    weather = seen.odds.chances.weather
    assert weather is not None
    # 9 days of rain in a month of 30, four in five of them lost: docs/weather.md, by hand.
    june = np.searchsorted(weather.day_first, seen.odds.problem.now)
    assert max(gate.lost_chance[june] for gate in weather.gates) == pytest.approx(0.24)


def test_without_chances_work_and_weather_the_plan_comes_out_as_planned(plan: Plan) -> None:
    seen = forecasting.outlook(now=MONDAY)
    drawn = simulate(seen.odds.problem, seen.schedule, runs=3, early_days=0)

    for i, placed in enumerate(seen.schedule.placed):
        assert placed is not None
        assert (drawn.finishes[i] == placed.finish).all()


def test_a_promise_far_off_is_kept_and_one_of_today_is_not(plan: Plan, jobs: list[Job]) -> None:
    Job.objects.filter(pk=jobs[0].pk).update(promised_on=date(2027, 6, 1))
    Job.objects.filter(pk=jobs[1].pk).update(promised_on=MONDAY.date())

    forecast = forecasting.forecast_now(now=MONDAY, draws=DRAWS)

    far, near = forecast.jobs.order_by("job__number")
    assert (far.keep_chance, far.expected_days_late) == (1.0, 0.0)
    assert near.keep_chance == 0.0
    days = (timezone.localdate(near.finish_p50) - MONDAY.date()).days
    assert near.expected_days_late == pytest.approx(days, abs=4)


def test_a_job_without_dates_says_why(plan: Plan, jobs: list[Job]) -> None:
    jobs[1].permit.delete()

    forecast = forecasting.forecast_now(now=MONDAY, draws=DRAWS)

    row = forecast.jobs.get(job=jobs[1])
    assert "permit" in row.no_dates_because
    assert row.finish_p50 is None
    assert row.keep_chance is None


def test_the_command_prints_the_forecast_and_refuses_what_makes_no_sense(
    plan: Plan, capsys: pytest.CaptureFixture[str]
) -> None:
    call_command("forecast", "--draws", "40", "--as-of", MONDAY.isoformat(), "--json")
    told = json.loads(capsys.readouterr().out)

    assert told["forecast"]["draws"] == 40
    assert [row["job"] for row in told["jobs"]] == ["26-001", "26-002"]
    assert {"p10", "p50", "p80", "p90"} == set(told["jobs"][0]["phases"][0]["finish"])
    for wrong in (("--draws", "0"), ("--seed", "-1"), ("--as-of", "soon")):
        with pytest.raises(CommandError, match=wrong[0]):
            call_command("forecast", *wrong)


def test_without_a_published_plan_the_command_says_what_to_do(jobs: list[Job]) -> None:
    with pytest.raises(CommandError, match="No plan is published"):
        call_command("forecast")


def test_reading_a_forecast_takes_as_many_queries_for_two_jobs_as_for_one(plan: Plan) -> None:
    forecast = forecasting.forecast_now(now=MONDAY, draws=DRAWS)
    with CaptureQueriesContext(connection) as both:
        assert len(forecasts.forecast_as_json(forecast)["jobs"]) == 2
    forecast.jobs.first().delete()  # type: ignore[union-attr]
    with CaptureQueriesContext(connection) as one:
        forecasts.forecast_as_json(forecast)

    assert len(one) == len(both)
