"""The API's door for forecasts, of today and of an earlier day, and how good past ones were."""

from datetime import date, datetime, timedelta
from typing import Any

import pytest
from django.contrib.auth.models import AbstractUser
from django.db import connection
from django.test.utils import CaptureQueriesContext
from scipy import stats

from jobs.models import Forecast, Job, JobForecast, PhaseForecast, Plan
from jobs.selectors import forecasts
from tests.service.api import ROOT, faults, make_plan, reader
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]
DAY = timedelta(days=1)
SD_DAYS = 4.0


@pytest.fixture
def plan() -> Plan:
    make_firm(crews=1)
    return make_plan()


def make_forecast(plan: Plan, as_of: datetime) -> Forecast:
    return Forecast.objects.create(
        plan=plan, status="DONE", as_of=as_of, made_at=as_of, draws=100, policy="by hand", state="-"
    )


def tell(forecast: Forecast, job: Job, *, mean_days: float) -> JobForecast:
    """Forecast a job's finish as normal, so many days ahead and SD_DAYS wide."""
    told = stats.norm(mean_days, SD_DAYS)
    quantiles = {
        f"finish_p{percent}": forecast.as_of + told.ppf(percent / 100) * DAY
        for percent in (10, 50, 80, 90)
    }
    return JobForecast.objects.create(
        forecast=forecast,
        job=job,
        promised_on=job.promised_on,
        keep_chance=0.5,
        expected_days_late=1.0,
        finish_days=[round(float(told.ppf(n / 100)), 2) for n in range(1, 100)],
        drivers={"CREW:Alder crew": 1.0, "WEATHER": 3.0},
        **quantiles,
    )


def end(job: Job, at: datetime) -> None:
    job.phases.update(status="DONE", done_at=at, started_at=at - 9 * DAY)


def get(user: AbstractUser, address: str, **params: str) -> Any:
    return reader(user).get(ROOT + address, params)


def test_the_newest_forecast_is_listed_by_job_with_its_drivers(
    plan: Plan, owner: AbstractUser
) -> None:
    for days in (7, 1):
        tell(
            make_forecast(plan, MONDAY - days * DAY), make_job(number=f"26-00{days}"), mean_days=20
        )

    rows = get(owner, "forecasts/").json()["results"]

    assert [row["job"] for row in rows] == ["26-001"]
    assert rows[0]["forecast"]["policy"] == "by hand"
    assert rows[0]["drivers"] == [
        {"cause": "WEATHER", "name": None, "days": 3.0, "share": 0.75},
        {"cause": "CREW", "name": "Alder crew", "days": 1.0, "share": 0.25},
    ]
    told = [rows[0]["finish"][name] for name in ("p10", "p50", "p80", "p90")]
    assert told == sorted(told)


def test_the_forecast_of_an_earlier_day_is_what_was_told_then(
    plan: Plan, owner: AbstractUser
) -> None:
    job = make_job(number="26-001")
    made = {days: make_forecast(plan, MONDAY - days * DAY) for days in (7, 3, 1)}
    for forecast in made.values():
        tell(forecast, job, mean_days=20)

    day = (MONDAY - 2 * DAY).date().isoformat()
    (row,) = get(owner, "forecasts/", as_of=day).json()["results"]

    assert row["forecast"]["id"] == made[3].pk
    early = get(owner, "forecasts/", as_of="2025-01-01").json()
    assert early["results"] == []


def test_jobs_are_filtered_and_put_in_order(plan: Plan, owner: AbstractUser) -> None:
    forecast = make_forecast(plan, MONDAY - DAY)
    for number, days in (("26-001", 30), ("26-002", 10), ("26-003", 20)):
        tell(forecast, make_job(number=number), mean_days=days)

    rows = get(owner, "forecasts/", ordering="-finish_p50").json()["results"]
    assert [row["job"] for row in rows] == ["26-001", "26-003", "26-002"]
    (row,) = get(owner, "forecasts/", job="26-003").json()["results"]
    assert row["job"] == "26-003"
    assert "as_of" in faults(get(owner, "forecasts/", as_of="soon"))


def test_phases_come_with_the_jobs_only_where_they_are_asked_for(
    plan: Plan, owner: AbstractUser
) -> None:
    job = make_job(number="26-001")
    forecast = make_forecast(plan, MONDAY - DAY)
    tell(forecast, job, mean_days=20)
    PhaseForecast.objects.create(
        forecast=forecast,
        phase=job.phases.get(code="DIG"),
        planned_start_at=MONDAY,
        planned_finish_at=MONDAY + DAY,
        finish_p80=MONDAY + 2 * DAY,
    )

    (short,) = get(owner, "forecasts/").json()["results"]
    (whole,) = get(owner, "forecasts/", include="phases").json()["results"]

    assert "phases" not in short
    (dig,) = whole.pop("phases")
    assert whole == short
    assert (dig["phase"], dig["crew"]) == ("DIG", None)
    assert dig["finish"]["p80"] == "2026-06-03T06:00:00-04:00"
    assert "include" in faults(get(owner, "forecasts/", include="drivers"))


def test_jobs_are_searched_and_those_without_a_chance_come_last(
    plan: Plan, owner: AbstractUser
) -> None:
    forecast = make_forecast(plan, MONDAY - DAY)
    for number, chance in (("26-001", None), ("26-002", 0.9), ("26-003", 0.2)):
        row = tell(forecast, make_job(number=number, buyer_name=f"B {number}"), mean_days=9)
        JobForecast.objects.filter(pk=row.pk).update(keep_chance=chance)

    def listed(**params: str) -> list[str]:
        return [row["job"] for row in get(owner, "forecasts/", **params).json()["results"]]

    assert listed(ordering="keep_chance") == ["26-003", "26-002", "26-001"]
    assert listed(ordering="-keep_chance") == ["26-002", "26-003", "26-001"]
    assert listed(search="b 26-002") == ["26-002"]


def test_reading_takes_as_many_queries_for_five_jobs_as_for_one(
    plan: Plan, owner: AbstractUser
) -> None:
    forecast = make_forecast(plan, MONDAY - DAY)
    counts = []
    get(owner, "forecasts/", include="phases")
    for more in (range(1, 2), range(2, 6)):
        for number in more:
            tell(forecast, make_job(number=f"26-00{number}"), mean_days=10)
        with CaptureQueriesContext(connection) as queries:
            get(owner, "forecasts/", include="phases")
        counts.append(len(queries))

    assert counts[0] == counts[1]


def test_a_quantile_counts_once_its_own_day_has_passed_be_the_job_done_or_not(plan: Plan) -> None:
    forecast = make_forecast(plan, MONDAY - 30 * DAY)
    # By the normal distribution: P10 14.9, P50 20, P80 23.4, P90 25.1 days ahead.
    quick, slow, open_job = (make_job(number=f"26-00{n}") for n in (1, 2, 3))
    for job in (quick, slow, open_job):
        tell(forecast, job, mean_days=20)
    end(quick, MONDAY - 12 * DAY)
    end(slow, MONDAY - 6.2 * DAY)

    (all_leads, _) = forecasts.calibration(now=MONDAY)

    assert (all_leads.forecasts, all_leads.ended) == (3, 2)
    kept = {row.name: (row.kept, row.due) for row in all_leads.coverages}
    assert kept == {"p10": (0, 3), "p50": (1, 3), "p80": (1, 3), "p90": (2, 3)}


def test_what_is_still_ahead_does_not_count_even_where_the_job_was_quick(plan: Plan) -> None:
    forecast = make_forecast(plan, MONDAY - 10 * DAY)
    job = make_job()
    tell(forecast, job, mean_days=20)
    end(job, MONDAY - DAY)

    (all_leads, _) = forecasts.calibration(now=MONDAY)

    assert all_leads.coverages == ()
    assert all_leads.ended == 1


def test_losses_are_those_of_the_normal_distribution(plan: Plan) -> None:
    forecast = make_forecast(plan, MONDAY - 40 * DAY)
    job = make_job()
    tell(forecast, job, mean_days=20)
    end(job, MONDAY - 17 * DAY)

    found = forecasts.calibration(now=MONDAY)[0]

    # Ended 23 days after, 0.75 standard deviations late. CRPS of a normal: Gneiting and Raftery
    # 2007, from memory.
    z = 3 / SD_DAYS
    norm = stats.norm
    crps = SD_DAYS * (z * (2 * norm.cdf(z) - 1) + 2 * norm.pdf(z) - 1 / 3.141592653589793**0.5)
    assert found.crps_days == pytest.approx(crps, abs=0.06)
    assert found.bias_days == pytest.approx(3.0, abs=0.01)
    assert found.pinball_days["p50"] == pytest.approx(1.5, abs=0.01)
    p90 = 20 + SD_DAYS * norm.ppf(0.9)
    assert found.pinball_days["p90"] == pytest.approx((p90 - 23) * 0.1, abs=0.01)


def test_of_each_week_the_first_forecast_counts(plan: Plan) -> None:
    job = make_job()
    for days in (30, 29, 28, 22):
        tell(make_forecast(plan, MONDAY - days * DAY), job, mean_days=60)
    # Saturday and Sunday of one week, Monday of the next, Sunday of that.
    assert date.isoweekday((MONDAY - 30 * DAY).date()) == 6

    assert forecasts.calibration(now=MONDAY)[0].forecasts == 2


def test_calibration_is_told_by_how_far_was_looked_ahead(plan: Plan, owner: AbstractUser) -> None:
    job = make_job()
    tell(make_forecast(plan, MONDAY - 70 * DAY), job, mean_days=50)
    tell(make_forecast(plan, MONDAY - 30 * DAY), job, mean_days=10)
    end(job, MONDAY - 20 * DAY)

    rows = get(owner, "calibration/").json()

    assert [row["lead"] for row in rows] == ["all", "within 2 weeks", "over 6 weeks"]
    assert rows[0]["coverages"][1] == {
        "quantile": "p50",
        "share": 0.5,
        "covered": 1.0,
        "due": 2,
        "low": 0.0,
        "high": 1.0,
    }
