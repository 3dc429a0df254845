"""The owner's page: what it shows, to whom, and that its queries do not grow with rows."""

from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from contractor.trade.phases import PHASE_TABLE
from jobs.models import Forecast, JobForecast
from jobs.selectors.crew_load import active_crews, crew_loads
from jobs.selectors.owner import firm_weeks, owners_view
from jobs.services import planning, publishing
from jobs.services.forecasting import forecast_now
from tests.factories import AuthorityFactory
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]
FEW_DRAWS = 40


def published_firm(*, jobs: int) -> None:
    """A firm with two crews and some jobs, planned, published and forecast."""
    make_firm(crews=2)
    harrow = AuthorityFactory()
    for number in range(1, jobs + 1):
        cover_digging(make_job(number=f"26-00{number}", authority=harrow))
    draft = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=draft.pk, now=MONDAY)
    forecast_now(now=MONDAY, draws=FEW_DRAWS)


def page(client: Client) -> str:
    response = client.get(reverse("admin:jobs_plan_owner"))
    assert response.status_code == 200
    return response.content.decode()


def test_every_finish_stands_against_its_promise(client: Client, owner: Any):
    published_firm(jobs=2)
    client.force_login(owner)

    text = page(client)

    assert "26-001" in text
    assert "Half of draws by" in text
    assert text.count('<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink') == 2
    assert "No slip was found in the last year." in text
    assert "No forecast&#x27;s day has come yet." in text or "No forecast's day" in text


def test_an_empty_firm_has_a_page(client: Client, owner: Any):
    client.force_login(owner)

    assert "No forecast has been made yet" in page(client)


def test_booked_hours_of_the_firm_are_those_of_its_crews():
    published_firm(jobs=2)
    crews = crew_loads(list(active_crews()), now=MONDAY)

    weeks = firm_weeks(crews)

    assert sum(week.booked_hours for week in weeks) == pytest.approx(
        sum(week.booked_hours for crew in crews for week in crew.weeks)
    )
    # Two crews, 8.5 hours on five days: tests.factories.WorkHoursFactory.
    assert weeks[0].working_hours == pytest.approx(2 * 5 * 8.5)
    assert all(week.booked_hours <= week.working_hours for week in weeks)
    for index, crew in enumerate(crews):
        told = [week.by_crew[index][1] for week in weeks]
        assert told[: len(crew.weeks)] == [week.booked_hours for week in crew.weeks]


def test_the_page_names_what_each_job_is_late_by(client: Client, owner: Any):
    published_firm(jobs=1)
    row = JobForecast.objects.get()
    row.drivers = {"CREW:Alder crew": 3.0, "PHASE:FRAME": 1.0, "WORK": 0.2}
    row.save()
    client.force_login(owner)

    text = page(client)

    assert "Alder crew, late on other jobs 71%, " in text
    assert f"{PHASE_TABLE['FRAME'].label.lower()} takes longer 24%" in text
    # A twentieth says little, and is left out.
    assert "work 5%" not in text


def test_the_least_sure_promise_comes_first():
    published_firm(jobs=3)

    chances = [row.keep_chance for row in owners_view(now=MONDAY).finishes]

    assert chances == sorted(chance for chance in chances if chance is not None)
    assert Forecast.objects.count() == 1


def test_queries_do_not_grow_with_jobs():
    published_firm(jobs=1)
    with CaptureQueriesContext(connection) as few:
        owners_view(now=MONDAY)
    for number in range(5):
        cover_digging(make_job(number=f"26-10{number}"))
    draft = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=draft.pk, now=MONDAY)
    forecast_now(now=MONDAY, draws=FEW_DRAWS)

    with CaptureQueriesContext(connection) as many:
        owners_view(now=MONDAY)

    assert len(many) == len(few)


def test_strangers_and_crew_leads_are_kept_out(client: Client, lead: Any, stranger: Any):
    for user in (lead, stranger):
        client.force_login(user)
        assert client.get(reverse("admin:jobs_plan_owner")).status_code == 302
