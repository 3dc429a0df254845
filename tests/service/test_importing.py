"""The page of files in and out: every row has a fate, and just what was checked is loaded."""

import csv
import io
import zipfile
from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth.models import AbstractUser
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from jobs.models import CheckedFile, Job
from jobs.services.importing import Fate, ImportRefused, dry_run, load_checked
from tests.factories import OfficeFactory
from tests.service.csv_files import GOOD, JOB, JOB_COLUMNS

pytestmark = pytest.mark.django_db

PAGE = reverse("admin:jobs_import")
DOORS = "job,kind,width_ft,height_ft\n26-301,WALK_DOOR,3,7\n26-302,WALK_DOOR,3,7\n"


def sent(**texts: str) -> dict[str, bytes]:
    return {f"{kind}.csv": text.encode() for kind, text in texts.items()}


def two_jobs(second: str = "") -> str:
    other = JOB.replace("26-301", "26-302")
    return f"{JOB_COLUMNS}\n{JOB}\n{second or other}\n"


def upload(**texts: str) -> dict[str, Any]:
    return {"files": [SimpleUploadedFile(name, data) for name, data in sent(**texts).items()]}


@pytest.fixture
def desk(client: Client, office: AbstractUser) -> Client:
    client.force_login(office)
    return client


def test_every_row_has_its_fate(office: Any) -> None:
    bad = JOB.replace("26-301", "26-302").replace("48500", "much")

    found = dry_run(files=sent(jobs=two_jobs(bad), openings=DOORS), now=timezone.now(), by=office)

    assert [(row.file, row.line, row.name, row.fate) for row in found.rows] == [
        ("jobs.csv", 2, "26-301", Fate.STORED),
        ("jobs.csv", 3, "26-302", Fate.REFUSED),
        ("openings.csv", 2, "26-301, WALK_DOOR, 3", Fate.STORED),
        ("openings.csv", 3, "26-302, WALK_DOOR, 3", Fate.HELD),
    ]
    assert found.batch is None
    assert not CheckedFile.objects.exists()


def test_a_row_with_too_many_cells_has_a_fate_too(office: Any) -> None:
    found = dry_run(files=sent(jobs=two_jobs(JOB + ",more")), now=timezone.now(), by=office)

    assert [row.fate for row in found.rows] == [Fate.STORED, Fate.REFUSED]
    assert "cells" in found.rows[1].told[0]


def test_a_dry_run_stores_nothing_and_loading_stores_what_was_checked(office: Any) -> None:
    now = timezone.now()
    found = dry_run(files=sent(jobs=two_jobs(), openings=DOORS), now=now, by=office)
    assert not Job.objects.exists()
    assert found.batch is not None

    report = load_checked(batch=found.batch, now=now, by=office)

    assert dict(report.counts) == {"jobs": 2, "openings": 2}
    assert not CheckedFile.objects.exists()
    with pytest.raises(ImportRefused, match="Check them once more"):
        load_checked(batch=found.batch, now=now, by=office)


def test_what_was_checked_is_the_checkers_own_and_lasts_a_day(office: Any) -> None:
    now = timezone.now()
    found = dry_run(files=sent(jobs=two_jobs()), now=now, by=office)
    assert found.batch is not None
    other = OfficeFactory(username="other")

    with pytest.raises(ImportRefused):
        load_checked(batch=found.batch, now=now, by=other)
    with pytest.raises(ImportRefused):
        load_checked(batch=found.batch, now=now + timedelta(days=1), by=office)

    assert not Job.objects.exists()


def test_the_page_tells_the_fates_then_loads(desk: Client) -> None:
    page = desk.post(PAGE, upload(jobs=two_jobs(), openings=DOORS)).content.decode()
    assert "All 4 rows can be stored" in page

    batch = CheckedFile.objects.values_list("batch", flat=True).first()
    told = desk.post(reverse("admin:jobs_import_load", args=[batch]), follow=True)

    assert "Loaded: 2 jobs, 2 openings." in told.content.decode()
    assert Job.objects.count() == 2


def test_the_page_names_file_line_column_and_remedy(desk: Client) -> None:
    bad = JOB.replace("26-301", "26-302").replace("48500", "much")

    page = desk.post(PAGE, upload(jobs=two_jobs(bad))).content.decode()

    assert "contract_value_usd much: Not a number." in page
    assert "Load these files" not in page


def test_the_file_of_every_row_has_every_row(desk: Client) -> None:
    response = desk.post(PAGE, {**upload(jobs=two_jobs()), "all": ""})

    rows = list(csv.DictReader(io.StringIO(response.content.decode())))
    assert [(row["row"], row["fate"]) for row in rows] == [
        ("26-301", "is stored"),
        ("26-302", "is stored"),
    ]


def test_files_with_the_same_name_are_refused_rather_than_one_of_them_lost(desk: Client) -> None:
    twice = [SimpleUploadedFile("jobs.csv", two_jobs().encode()) for _ in range(2)]

    page = desk.post(PAGE, {"files": twice}).content.decode()

    assert "Two files have the same name" in page


def test_what_is_given_out_comes_in_again(desk: Client) -> None:
    given = {path.name: path.read_bytes() for path in GOOD.glob("*.csv")}
    desk.post(PAGE, {"files": [SimpleUploadedFile(name, data) for name, data in given.items()]})
    desk.post(reverse("admin:jobs_import_load", args=[CheckedFile.objects.earliest("id").batch]))
    assert Job.objects.exists()

    archive = desk.get(reverse("admin:jobs_export", args=["csv"])).content
    book = desk.get(reverse("admin:jobs_export", args=["xlsx"])).content

    with zipfile.ZipFile(io.BytesIO(archive)) as files:
        assert {"jobs.csv", "history.csv"} <= set(files.namelist())
    with zipfile.ZipFile(io.BytesIO(book)) as parts:
        assert "xl/workbook.xml" in parts.namelist()


@pytest.mark.parametrize("who", ["owner", "lead", "stranger"])
def test_only_the_office_loads(client: Client, request: Any, who: str) -> None:
    client.force_login(request.getfixturevalue(who))

    assert client.post(PAGE, upload(jobs=two_jobs())).status_code in (302, 403)
    assert not CheckedFile.objects.exists()


@pytest.mark.parametrize(("who", "status"), [("owner", 200), ("lead", 302), ("stranger", 302)])
def test_who_may_read_everything_gets_the_files(
    client: Client, request: Any, who: str, status: int
) -> None:
    client.force_login(request.getfixturevalue(who))

    assert client.get(reverse("admin:jobs_export", args=["xlsx"])).status_code == status


@pytest.mark.parametrize(("who", "leads"), [("owner", True), ("reader", True), ("seller", False)])
def test_the_first_page_leads_readers_to_the_files(
    client: Client, request: Any, who: str, leads: bool
) -> None:
    client.force_login(request.getfixturevalue(who))

    page = client.get(reverse("admin:index")).content.decode()

    assert (reverse("admin:jobs_export", args=["xlsx"]) in page) is leads
    assert PAGE not in page
