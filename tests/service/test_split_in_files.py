"""Parts of a phase in files, in the API and on the pages that tell of them."""

from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

import pytest
from django.test import Client

from crews.models import Crew
from jobs.models import Booking, Delivery, Job, Phase, Plan
from jobs.selectors.call_ahead import call_ahead
from jobs.services import publishing
from jobs.services.dumping import dump
from jobs.services.loading import LoadFailed, load
from tests.service.csv_files import files, job_file
from tests.service.portfolio import MONDAY
from tests.service.test_split_ahead import parts, split

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]

HEAD = "job,phase,part,share_of_whole,started_at,done_at\n"


def loaded(tmp_path: Path, history: str) -> list[Phase]:
    """Return the roof's parts of a job that is loaded with a history."""
    load(paths=files(tmp_path, jobs=job_file(), history=HEAD + history))
    return list(Phase.objects.filter(code="ROOF").order_by("part"))


def test_what_is_dumped_is_loaded_again(tmp_path: Path) -> None:
    began = "2026-05-20 07:30"
    loaded(tmp_path, f"26-301,ROOF,1,0.4,{began},2026-05-21 15:00\n26-301,ROOF,2,0.6,,\n")
    columns = ("code", "part", "parts", "share_of_whole", "labor_hours", "status", "started_at")
    before = list(Phase.objects.order_by("code", "part").values(*columns))
    (tmp_path / "out").mkdir()
    dump(directory=tmp_path / "out", kinds=("jobs", "history"))
    Phase.objects.all().delete()
    Job.objects.all().delete()

    load(paths=sorted((tmp_path / "out").glob("*.csv")))

    assert list(Phase.objects.order_by("code", "part").values(*columns)) == before
    assert [row["part"] for row in before if row["code"] == "ROOF"] == [1, 2]


def test_a_file_without_parts_is_of_whole_phases(tmp_path: Path) -> None:
    (row,) = loaded(tmp_path, "26-301,ROOF,,,2026-05-20 07:30,\n")
    assert (row.part, row.parts, row.share_of_whole, row.status) == (1, 1, 1.0, "UNDER_WAY")


@pytest.mark.parametrize(
    ("history", "says"),
    [
        ("26-301,ROOF,1,0.4,,\n26-301,ROOF,2,0.5,,\n", "The shares of its parts make 0.9"),
        ("26-301,ROOF,1,1.5,,\n26-301,ROOF,2,-0.5,,\n", "Let them make 1"),
        ("26-301,ROOF,2,1,,\n", "Its parts are 1, 2 and so on"),
        ("26-301,ROOF,1,0.5,,\n26-301,ROOF,3,0.5,,\n", "Its parts are 1, 2 and so on"),
        ("26-301,TRUSSES,1,0.5,,\n26-301,TRUSSES,2,0.5,,\n", "half a row of trusses"),
    ],
)
def test_parts_that_do_not_make_a_phase_are_refused(
    tmp_path: Path, history: str, says: str
) -> None:
    with pytest.raises(LoadFailed) as failed:
        loaded(tmp_path, history)
    assert says in " ".join(str(error) for error in failed.value.errors)
    assert not Phase.objects.exists()


def test_a_report_of_a_part_that_is_not_there_is_refused(tmp_path: Path) -> None:
    reports = "job,phase,part,kind,made_at,received_at\n"
    reports += "26-301,ROOF,2,STARTED,2026-05-20 07:30,2026-05-20 07:30\n"
    with pytest.raises(LoadFailed) as failed:
        load(paths=files(tmp_path, jobs=job_file(), reports=reports))
    assert "The phase has no part 2" in " ".join(str(error) for error in failed.value.errors)


@pytest.fixture
def published(crews: Sequence[Crew]) -> Plan:
    """The roof of one job in two parts, published."""
    done = split("ROOF", 0.4)
    publishing.publish(plan_id=done.move.plan_id or 0, now=MONDAY)
    return Plan.objects.get(status="PUBLISHED")


def test_the_api_tells_part_and_parts(published: Plan, admin_client: Client) -> None:
    body = admin_client.get("/api/v1/jobs/26-001/").json()
    roof = [row for row in body["phases"] if row["code"] == "ROOF"]
    assert [(row["part"], row["parts"], row["label"]) for row in roof] == [
        (1, 2, "Roof steel, part 1 of 2"),
        (2, 2, "Roof steel, part 2 of 2"),
    ]


def test_pages_tell_both_parts(published: Plan, admin_client: Client) -> None:
    job = Job.objects.get(number="26-001")
    for address in (
        f"/admin/jobs/job/{job.pk}/change/",
        "/admin/board/",
        "/admin/desk/look-ahead/",
        f"/admin/board/phases/{parts('ROOF')[0].pk}/",
    ):
        html = admin_client.get(address, follow=True).content.decode()
        assert "part 1 of 2" in html, address


def test_what_a_part_needs_is_called_for_its_first_open_part(published: Plan) -> None:
    Delivery.objects.filter(job__number="26-001", item="STEEL").update(arrived_on=None)
    lines = call_ahead(now=MONDAY, every=True)
    (line,) = [
        line
        for line in (*lines.to_order, *lines.to_confirm)
        if line.delivery.item == "STEEL" and line.delivery.job.number == "26-001"
    ]
    first = Booking.objects.get(plan=published, phase=parts("ROOF")[0])
    assert line.needed_by is not None
    assert first.starts_at.date() - line.needed_by <= timedelta(days=4)
