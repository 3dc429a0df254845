"""The office's pages of reports: rows to read, corrections, reports for a crew, the job page."""

from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.contrib.auth.models import AbstractUser
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from crews.models import Crew
from jobs.models import FieldReport, Job, Phase
from jobs.selectors.reports import OFFICE
from jobs.services.new_report import NewReport
from jobs.services.reporting import take_report
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = pytest.mark.django_db

EVENING = MONDAY.replace(hour=17)
LIST = reverse("admin:jobs_fieldreport_changelist")


@pytest.fixture
def desk(client: Client, office: AbstractUser) -> Client:
    client.force_login(office)
    return client


@pytest.fixture
def job() -> Job:
    make_firm()
    return make_job(number="26-001")


def report(job: Job, kind: str = "DONE", **given: Any) -> FieldReport:
    """Take a report of the first crew, made on Monday at nine."""
    new = NewReport(
        id=uuid4(),
        phase_id=job.phases.get(code="LAYOUT").pk,
        kind=kind,
        made_at=MONDAY + timedelta(hours=3),
        crew_id=Crew.objects.earliest("pk").pk,
        **given,
    )
    take_report(report=new, who=OFFICE, now=EVENING)
    return FieldReport.objects.get(pk=new.id)


def layout(job: Job) -> Phase:
    return job.phases.get(code="LAYOUT")


def page_of(row: FieldReport) -> str:
    return reverse("admin:jobs_fieldreport_change", args=[row.pk])


def test_the_list_shows_what_was_reported(desk: Client, job: Job) -> None:
    report(job, "STOPPED", stopped_by="EQUIPMENT", note="<b>Auger</b> down")

    page = desk.get(LIST).content.decode()

    assert "Equipment" in page
    assert "&lt;b&gt;Auger&lt;/b&gt; down" in page
    assert reverse("admin:jobs_fieldreport_ppc") in page


def test_a_report_can_be_neither_changed_nor_deleted(desk: Client, job: Job) -> None:
    row = report(job)

    desk.post(page_of(row), {"kind": "NOTE"})
    deleted = desk.post(reverse("admin:jobs_fieldreport_delete", args=[row.pk]), {"post": "yes"})

    assert deleted.status_code == 403
    assert FieldReport.objects.get().kind == "DONE"
    assert desk.get(reverse("admin:jobs_fieldreport_add")).status_code == 403


def correct(desk: Client, row: FieldReport, **given: Any) -> Any:
    address = reverse("admin:jobs_fieldreport_correct", args=[row.pk])
    return desk.post(address, {"kind": "PROGRESS", "note": "", "stopped_by": "", **given})


def test_a_correction_is_a_report_of_its_own(desk: Client, office: AbstractUser, job: Job) -> None:
    row = report(job)

    correct(desk, row, share_done="0.5", happened_at="2026-06-01T09:00", crew=row.crew_id)

    added = FieldReport.objects.get(kind="CORRECTION")
    assert (added.corrects_id, added.corrected_kind, added.by) == (row.pk, "PROGRESS", office)
    assert (layout(job).status, layout(job).share_done) == ("UNDER_WAY", 0.5)
    page = desk.get(page_of(row)).content.decode()
    assert "corrected: progress" in page


def test_a_report_of_what_never_happened_is_taken_back(desk: Client, job: Job) -> None:
    row = report(job)

    correct(desk, row, kind="VOID")

    assert layout(job).status == "OPEN"
    assert "taken back" in desk.get(page_of(row)).content.decode()


def test_a_bad_correction_tells_field_value_and_remedy(desk: Client, job: Job) -> None:
    row = report(job)

    page = correct(desk, row, share_done="3", crew=row.crew_id).content.decode()

    assert "This report is not kept." in page
    assert "Share done 3: Ensure this value is less than or equal to 1" in page
    assert FieldReport.objects.count() == 1


def test_the_page_of_a_correction_holds_what_was_said(desk: Client, job: Job) -> None:
    row = report(job, "PROGRESS", share_done=0.4, note="north side")

    address = reverse("admin:jobs_fieldreport_correct", args=[row.pk])
    page = desk.get(address).content.decode()

    assert 'value="0.4"' in page
    assert "north side</textarea>" in page
    assert 'value="2026-06-01T09:00"' in page


def test_the_office_reports_for_a_crew(desk: Client, job: Job) -> None:
    crew = Crew.objects.earliest("pk")
    address = reverse("admin:jobs_fieldreport_enter", args=[layout(job).pk])
    assert "Layout of job 26-001 is open" in desk.get(address).content.decode()

    desk.post(
        address,
        {"kind": "STARTED", "crew": crew.pk, "happened_at": "2026-06-01T07:30", "stopped_by": ""},
    )

    assert layout(job).status == "UNDER_WAY"
    assert FieldReport.objects.get().from_office


@pytest.mark.parametrize("who", ["owner", "lead", "stranger"])
def test_only_the_office_enters_and_corrects(
    client: Client, job: Job, who: str, request: pytest.FixtureRequest
) -> None:
    client.force_login(request.getfixturevalue(who))
    row = report(job)

    entered = client.post(
        reverse("admin:jobs_fieldreport_enter", args=[layout(job).pk]), {"kind": "NOTE"}
    )
    corrected = correct(client, row, kind="VOID")

    assert {entered.status_code, corrected.status_code} <= {302, 403}
    assert FieldReport.objects.count() == 1


def test_the_job_page_shows_reports_with_what_they_count_as(desk: Client, job: Job) -> None:
    row = report(job, "PROGRESS", share_done=0.4, crew_hours=12.0, note="north <side>")
    correct(desk, row, share_done="0.2", crew=row.crew_id)

    page = desk.get(reverse("admin:jobs_job_change", args=[job.pk])).content.decode()

    assert "north &lt;side&gt;" in page
    assert "40%" in page
    assert "corrected: progress" in page
    assert "Correction: progress" in page


def test_the_list_reads_as_often_for_many_reports(desk: Client, job: Job) -> None:
    def reads() -> int:
        with CaptureQueriesContext(connection) as captured:
            desk.get(LIST)
        return len(captured)

    report(job)
    reads()
    one = reads()
    for number in range(6):
        report(job, "NOTE", note=str(number))

    assert reads() == one


def test_the_job_page_reads_as_often_for_many_reports(desk: Client, job: Job) -> None:
    address = reverse("admin:jobs_job_change", args=[job.pk])

    def reads() -> int:
        with CaptureQueriesContext(connection) as captured:
            desk.get(address)
        return len(captured)

    report(job)
    reads()
    one = reads()
    for number in range(6):
        report(job, "NOTE", note=str(number))

    assert reads() == one
