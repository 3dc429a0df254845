"""What is said to have happened lies behind us: a plan would take it as done today."""

from datetime import timedelta
from html import unescape

import pytest
from django.contrib.auth.models import AbstractUser
from django.forms.models import model_to_dict
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from inspections.models import Permit
from jobs.models import Job, Phase
from tests import factories
from tests.service.job_form import ADD, job_data, row_data
from tests.service.portfolio import make_job

TO_COME = "This is still to come."


@pytest.fixture
def desk(client: Client, office: AbstractUser) -> Client:
    """The office, signed in."""
    factories.FirmFactory()
    client.force_login(office)
    return client


def days_ahead(days: int) -> str:
    return (timezone.localdate() + timedelta(days=days)).isoformat()


def one_row(prefix: str, **values: str) -> dict[str, str]:
    cells = {f"{prefix}-0-{name}": value for name, value in values.items()}
    return {f"{prefix}-TOTAL_FORMS": "1", **cells}


def refused(desk: Client, data: dict[str, str]) -> str:
    response = desk.post(ADD, data)
    assert response.status_code == 200
    assert not Job.objects.exists()
    return unescape(response.content.decode())


def post_phase(desk: Client, phase: Phase, **changes: str) -> str:
    """Return the page that came back, empty when the phase was stored."""
    data = {"status": "OPEN", "share_done": "0", **changes}
    response = desk.post(reverse("admin:jobs_phase_change", args=[phase.pk]), data)
    return "" if response.status_code == 302 else unescape(response.content.decode())


@pytest.mark.either_database
@pytest.mark.parametrize("field", ["applied_on", "issued_on"])
def test_permit_of_a_day_to_come_is_refused_on_the_job_page(desk: Client, field: str) -> None:
    day = days_ahead(30)

    page = refused(desk, job_data(**{f"permit-0-{field}": day}))

    assert f"{day}: {TO_COME}" in page


def test_permit_of_a_day_to_come_is_refused_on_its_own_page(desk: Client) -> None:
    permit = make_job().permit
    address = reverse("admin:inspections_permit_change", args=[permit.pk])
    data = {"job": permit.job_id, "authority": permit.authority_id, "issued_on": days_ahead(1)}

    response = desk.post(address, data)

    assert TO_COME in response.content.decode()
    assert Permit.objects.get(pk=permit.pk).issued_on == permit.issued_on


def test_permit_issued_today_is_taken(desk: Client) -> None:
    response = desk.post(ADD, job_data(**{"permit-0-issued_on": days_ahead(0)}))

    assert response.status_code == 302


@pytest.mark.either_database
@pytest.mark.parametrize("field", ["ordered_on", "arrived_on"])
def test_delivery_of_a_day_to_come_is_refused(desk: Client, field: str) -> None:
    row = one_row("deliveries", item="STEEL", **{field: days_ahead(1)})

    assert TO_COME in refused(desk, job_data(**row))


@pytest.mark.either_database
@pytest.mark.parametrize("field", ["promised_on", "arrived_on"])
def test_delivery_before_its_order_is_refused(desk: Client, field: str) -> None:
    row = one_row("deliveries", item="STEEL", ordered_on=days_ahead(-3), **{field: days_ahead(-10)})

    assert "This is before the order" in refused(desk, job_data(**row))


def test_ticket_called_on_a_day_to_come_is_refused(desk: Client) -> None:
    row = one_row(
        "locate_tickets",
        number="T-1",
        called_on=days_ahead(1),
        dig_from=days_ahead(4),
        expires_on=days_ahead(14),
    )

    assert TO_COME in refused(desk, job_data(**row))


def test_job_done_on_a_day_to_come_is_refused(desk: Client) -> None:
    page = refused(desk, job_data(status="DONE", completed_on=days_ahead(20)))

    assert f"Completed on {days_ahead(20)}: {TO_COME}" in page


def test_completion_of_a_job_that_is_signed_is_refused(desk: Client) -> None:
    page = refused(desk, job_data(completed_on=days_ahead(0)))

    assert "a job that is signed is not completed. Set the status to Done" in page


def test_sale_of_another_century_is_refused(desk: Client) -> None:
    page = refused(desk, job_data(sold_on="1026-06-01"))

    assert "Sold on 1026-06-01: the sale lies more than five years back" in page


def test_start_after_the_promised_completion_is_refused(desk: Client) -> None:
    dates = {"promised_on": days_ahead(60), "earliest_start_on": days_ahead(61)}

    page = refused(desk, job_data(**dates))

    assert f"Earliest start on {days_ahead(61)}: this is after the promised completion" in page


def test_sale_to_come_is_refused_for_a_stored_job_too(desk: Client) -> None:
    desk.post(ADD, job_data(number="26-904"))
    job = Job.objects.get(number="26-904")
    address = reverse("admin:jobs_job_change", args=[job.pk])

    response = desk.post(address, row_data(job, sold_on=days_ahead(2)))

    assert "the sale lies in the future" in response.content.decode()
    assert Job.objects.get(pk=job.pk).sold_on == job.sold_on


@pytest.mark.parametrize(("status", "field"), [("DONE", "done_at"), ("UNDER_WAY", "started_at")])
def test_work_of_a_day_to_come_is_refused(desk: Client, status: str, field: str) -> None:
    phase = make_job().phases.get(code="DIG")
    crew = str(factories.CrewFactory().pk)
    moment = {f"{field}_0": days_ahead(1), f"{field}_1": "08:00"}

    page = post_phase(desk, phase, status=status, crew=crew, **moment)

    assert TO_COME in page
    assert model_to_dict(Phase.objects.get(pk=phase.pk)) == model_to_dict(phase)


def test_share_done_of_work_that_has_not_begun_is_refused(desk: Client) -> None:
    phase = make_job().phases.get(code="DIG")

    page = post_phase(desk, phase, share_done="0.7")

    assert "Status OPEN: A start or a share done is given. Choose Under way" in page


def test_work_under_way_without_a_crew_is_refused(desk: Client) -> None:
    phase = make_job().phases.get(code="DIG")
    begun = {"started_at_0": days_ahead(-1), "started_at_1": "08:00"}

    page = post_phase(desk, phase, status="UNDER_WAY", **begun)

    assert "Work under way has a crew on it. Choose the crew." in page


def test_visit_under_way_needs_no_crew(desk: Client) -> None:
    phase = make_job().phases.get(code="HOLE_INSPECTION")
    begun = {"started_at_0": days_ahead(-1), "started_at_1": "08:00"}

    assert not post_phase(desk, phase, status="UNDER_WAY", **begun)
