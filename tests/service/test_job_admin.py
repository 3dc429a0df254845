"""The job pages of the admin: what they show, whom they let in, what they store."""

from datetime import timedelta

import pytest
from django.contrib.auth.models import AbstractUser
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from inspections.models import Permit
from jobs.models import Job, Phase
from jobs.services import intake, planning, publishing
from tests import factories
from tests.service.job_form import ADD, job_data, row_data

LIST = reverse("admin:jobs_job_changelist")


@pytest.fixture
def desk(client: Client, office: AbstractUser) -> Client:
    """The office, signed in."""
    factories.FirmFactory()
    client.force_login(office)
    return client


def make_jobs(number: int) -> list[Job]:
    jobs = []
    for _ in range(number):
        job = factories.JobFactory(preferred_crew=factories.CrewFactory())
        factories.PermitFactory(job=job)
        factories.LocateTicketFactory(job=job)
        intake.refresh_phases(job=job)
        phase = job.phases.get(code="HOLE_INSPECTION")
        phase.inspections.create(requested_at=timezone.now())
        jobs.append(job)
    return jobs


def queries(desk: Client, address: str) -> int:
    with CaptureQueriesContext(
        connection,
    ) as captured:
        response = desk.get(address)
    assert response.status_code == 200
    return len(captured)


def test_list_shows_building_in_words_and_where_the_job_stands(desk: Client) -> None:
    make_jobs(1)

    page = desk.get(LIST).content.decode()

    assert "Shop 30×40×10, precast" in page
    assert "Next: Layout" in page
    assert "not planned" in page


@pytest.mark.parametrize(
    "address",
    [
        "admin:jobs_job_changelist",
        "admin:jobs_phase_changelist",
        "admin:inspections_permit_changelist",
        "admin:inspections_authority_changelist",
        "admin:inspections_locateticket_changelist",
        "admin:inspections_inspection_changelist",
    ],
)
def test_list_takes_as_many_queries_for_25_rows_as_for_5(desk: Client, address: str) -> None:
    make_jobs(5)
    queries(desk, reverse(address))
    few = queries(desk, reverse(address))
    make_jobs(20)

    many = queries(desk, reverse(address))

    assert many == few


@pytest.mark.parametrize("waiting", ["authority", "permit", "locate", "delivery", "inspection"])
def test_list_filters_by_what_a_job_waits_for(desk: Client, waiting: str) -> None:
    today = timezone.localdate()
    free = factories.JobFactory(number="FREE")
    factories.PermitFactory(job=free)
    intake.refresh_phases(job=free)
    free.deliveries.update(arrived_on=today)
    factories.LocateTicketFactory(
        job=free, number="T-1", called_on=today, dig_from=today, expires_on=today
    )
    held = factories.JobFactory(number="HELD")
    if waiting != "authority":
        factories.PermitFactory(job=held, issued_on=None)
        intake.refresh_phases(job=held)
    if waiting == "inspection":
        phase = held.phases.get(code="HOLE_INSPECTION")
        phase.inspections.create(requested_at=timezone.now())

    response = desk.get(LIST, {"waiting": waiting})

    assert [job.number for job in response.context["cl"].result_list] == ["HELD"]


def test_late_filter_finds_what_was_finished_after_the_promise(desk: Client) -> None:
    today = timezone.localdate()
    for number, days in (("LATE", 3), ("KEPT", -3)):
        factories.JobFactory(
            number=number,
            status=Job.Status.DONE,
            promised_on=today,
            completed_on=today + timedelta(days=days),
        )

    response = desk.get(LIST, {"promise": "late"})

    assert [job.number for job in response.context["cl"].result_list] == ["LATE"]
    assert "3 days late" in response.content.decode()


@pytest.mark.parametrize("address", [LIST, ADD])
def test_stranger_and_lead_are_refused(
    client: Client, stranger: AbstractUser, lead: AbstractUser, address: str
) -> None:
    for user in (stranger, lead):
        client.force_login(user)

        assert client.get(address).status_code == 302


def test_owner_looks_but_does_not_add_or_change(client: Client, owner: AbstractUser) -> None:
    (job,) = make_jobs(1)
    client.force_login(owner)
    change = reverse("admin:jobs_job_change", args=[job.pk])

    assert client.get(change).status_code == 200
    assert client.get(ADD).status_code == 403
    assert client.post(change, {"number": "X"}).status_code == 403


def test_new_job_is_stored_with_doors_permit_and_phases(desk: Client) -> None:
    door = {"kind": "OVERHEAD_DOOR", "width_ft": "10", "height_ft": "8", "count": "1"}
    data = job_data(number="26-900", openings=[door])

    response = desk.post(ADD, data, follow=True)

    job = Job.objects.get(number="26-900")
    assert response.redirect_chain
    assert job.openings.get().width_ft == 10
    assert Permit.objects.get(job=job).authority_id == int(data["permit-0-authority"])
    assert list(job.phases.values_list("code", flat=True).order_by("sequence"))[:2] == [
        "LAYOUT",
        "DIG",
    ]
    assert "buried lines" in response.content.decode()


def test_job_page_shows_drawing_take_off_and_hours_with_their_sums(desk: Client) -> None:
    (job,) = make_jobs(1)

    page = desk.get(reverse("admin:jobs_job_change", args=[job.pk])).content.decode()

    assert page.count('class="drawing"') == 3
    assert "Take-off, without waste" in page
    assert job.phases.get(code="DIG").labor_arithmetic.split(" = ")[0] in page


def test_job_page_takes_as_many_queries_with_other_jobs_around(desk: Client) -> None:
    (job,) = make_jobs(1)
    address = reverse("admin:jobs_job_change", args=[job.pk])
    queries(desk, address)
    alone = queries(desk, address)
    make_jobs(10)

    assert queries(desk, address) == alone


def test_wider_building_gets_more_hours_and_keeps_the_office_figure(desk: Client) -> None:
    desk.post(ADD, job_data(number="26-901"))
    job = Job.objects.get(number="26-901")
    Phase.objects.filter(job=job, code="ROOF").update(office_hours=99)
    before = job.phases.get(code="FRAME").labor_hours

    response = desk.post(
        reverse("admin:jobs_job_change", args=[job.pk]), row_data(job, width_ft="40")
    )

    assert response.status_code == 302
    assert job.phases.get(code="FRAME").labor_hours > before
    assert job.phases.get(code="ROOF").office_hours == 99


def test_office_hours_are_set_on_the_job_page(desk: Client) -> None:
    desk.post(ADD, job_data(number="26-902"))
    job = Job.objects.get(number="26-902")
    phases = list(job.phases.order_by("sequence", "id"))

    desk.post(
        reverse("admin:jobs_job_change", args=[job.pk]),
        row_data(job, **{"phases-0-office_hours": "12.5"}),
    )

    phases[0].refresh_from_db()
    assert phases[0].office_hours == 12.5


def test_job_without_dates_says_why_in_the_list(desk: Client) -> None:
    (job,) = make_jobs(1)
    Permit.objects.filter(job=job).update(issued_on=None, expected_on=None)
    factories.EquipmentFactory()
    draft = planning.plan_now(now=timezone.now(), budget_seconds=0)
    publishing.publish(plan_id=draft.pk, now=timezone.now())

    page = desk.get(LIST).content.decode()

    assert "Waits: the permit is not issued" in page


def test_past_promise_does_not_lock_a_job_that_is_already_known(desk: Client) -> None:
    desk.post(ADD, job_data(number="26-903"))
    job = Job.objects.get(number="26-903")

    response = desk.post(
        reverse("admin:jobs_job_change", args=[job.pk]),
        row_data(job, promised_on=job.sold_on.isoformat()),
    )

    assert response.status_code == 302


def test_job_whose_numbers_cannot_be_built_shows_why_instead_of_a_drawing(desk: Client) -> None:
    job = factories.JobFactory(width_ft=300)

    page = desk.get(reverse("admin:jobs_job_change", args=[job.pk])).content.decode()

    assert "cannot be built" in page
    assert "width_ft 300" in page


def test_choices_of_phases_and_permits_name_the_job_as_people_do(desk: Client) -> None:
    job = factories.JobFactory(number="26-047")
    permit = factories.PermitFactory(job=job)
    intake.refresh_phases(job=job)
    dig = job.phases.get(code="DIG")
    visit = job.phases.get(code="HOLE_INSPECTION").inspections.create(requested_at=timezone.now())

    assert str(dig) == "Dig holes, job 26-047"
    assert str(permit) == "Permit of job 26-047"
    assert str(visit) == "Hole inspection, job 26-047, requested"
    assert str(job.deliveries.get(item="STEEL")) == "Steel and trim, job 26-047"
