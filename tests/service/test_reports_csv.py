"""Field reports through files and back."""

from datetime import timedelta
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

import pytest

from crews.models import Crew
from jobs.models import FieldReport, Job, Phase
from jobs.selectors.reports import OFFICE
from jobs.services.dumping import dump
from jobs.services.loading import LoadFailed, load
from jobs.services.new_report import NewReport
from jobs.services.reporting import take_reports
from tests.service.csv_files import files
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = pytest.mark.django_db

EVENING = MONDAY.replace(hour=17)
HEADER = "id,job,phase,kind,made_at,received_at,crew,share_done,stopped_by\n"
STATE = ("status", "started_at", "done_at", "share_done", "share_at", "reported_hours", "crew")
RESET = {
    "status": "OPEN",
    "started_at": None,
    "done_at": None,
    "share_done": 0,
    "share_at": None,
    "reported_hours": None,
    "hours_at_share": None,
    "crew": None,
    "stopped_by": "",
    "stopped_at": None,
    "stopped_until": None,
}


@pytest.fixture
def job() -> Job:
    make_firm()
    Crew.objects.filter(pk=Crew.objects.earliest("pk").pk).update(name="Alder crew")
    return make_job(number="26-001")


def reported(job: Job) -> None:
    """Take a start, a stop, a correction and what the office had entered before them."""
    crew = Crew.objects.get(name="Alder crew")
    layout, dig = job.phases.get(code="LAYOUT"), job.phases.get(code="DIG")
    Phase.objects.filter(pk=dig.pk).update(
        status="UNDER_WAY", started_at=MONDAY, share_at=MONDAY, crew=crew
    )
    wrong = uuid4()
    sent: list[Any] = [
        NewReport(uuid4(), layout.pk, "STARTED", MONDAY, crew_id=crew.pk, people=4),
        NewReport(
            wrong, layout.pk, "PROGRESS", MONDAY + timedelta(hours=1), crew.pk, share_done=0.9
        ),
        NewReport(
            uuid4(),
            layout.pk,
            "CORRECTION",
            MONDAY + timedelta(hours=2),
            crew.pk,
            share_done=0.4,
            crew_hours=7.5,
            corrects_id=wrong,
            corrected_kind="PROGRESS",
        ),
        NewReport(
            uuid4(),
            dig.pk,
            "STOPPED",
            MONDAY + timedelta(hours=3),
            crew.pk,
            stopped_by="EQUIPMENT",
            stopped_until=MONDAY + timedelta(days=2),
            note="=auger, down",
        ),
    ]
    answers = take_reports(reports=sent, who=OFFICE, now=EVENING).answers
    assert {row.outcome.value for row in answers} == {"RECEIVED"}


def rows() -> list[dict[str, Any]]:
    return list(FieldReport.objects.order_by("id").values().exclude(kind=""))


def test_reports_and_what_they_tell_come_back(job: Job, tmp_path: Path) -> None:
    reported(job)
    before, states = rows(), list(Phase.objects.order_by("id").values())
    dump(directory=tmp_path, kinds=["reports"])
    FieldReport.objects.all().delete()
    Phase.objects.update(**RESET)

    load(paths=[tmp_path / "reports.csv"], now=EVENING)

    assert rows() == before
    assert list(Phase.objects.order_by("id").values()) == states


def test_what_is_dumped_again_is_the_same(job: Job, tmp_path: Path) -> None:
    reported(job)
    first, second = tmp_path / "first", tmp_path / "second"
    dump(directory=first, kinds=["reports"])
    FieldReport.objects.all().delete()
    load(paths=[first / "reports.csv"], now=EVENING)
    dump(directory=second, kinds=["reports"])

    assert (first / "reports.csv").read_text() == (second / "reports.csv").read_text()


def refused(tmp_path: Path, line: str) -> list[tuple[str | None, str]]:
    with pytest.raises(LoadFailed) as failure:
        load(paths=files(tmp_path, reports=HEADER + line + "\n"), now=EVENING)
    assert not FieldReport.objects.exists()
    return [(error.column, error.message) for error in failure.value.errors]


ID = "0b9d3a52-0000-4000-8000-000000000001"


@pytest.mark.parametrize(
    ("line", "column"),
    [
        ("7,26-001,LAYOUT,NOTE,2026-06-01 09:00,2026-06-01 09:00,,,", "id"),
        (f"{ID},26-999,LAYOUT,NOTE,2026-06-01 09:00,2026-06-01 09:00,,,", "job"),
        (f"{ID},26-001,LINER,NOTE,2026-06-01 09:00,2026-06-01 09:00,,,", "phase"),
        (f"{ID},26-001,LAYOUT,FINISHED,2026-06-01 09:00,2026-06-01 09:00,,,", "kind"),
        (f"{ID},26-001,LAYOUT,NOTE,2026-06-03 09:00,2026-06-01 09:00,,,", "made_at"),
        (f"{ID},26-001,LAYOUT,PROGRESS,2026-06-01 09:00,2026-06-01 09:00,,2,", "share_done"),
        (f"{ID},26-001,LAYOUT,STOPPED,2026-06-01 09:00,2026-06-01 09:00,,,", "stopped_by"),
        (f"{ID},26-001,LAYOUT,STOPPED,2026-06-01 09:00,2026-06-01 09:00,,,MOON", "stopped_by"),
        (f"{ID},26-001,LAYOUT,NOTE,2026-06-01 09:00,2026-06-01 09:00,No crew,,", "crew"),
    ],
)
def test_a_bad_row_is_told_by_its_column(job: Job, tmp_path: Path, line: str, column: str) -> None:
    assert column in {named for named, _ in refused(tmp_path, line)}


def test_a_correction_that_corrects_nothing_is_refused(job: Job, tmp_path: Path) -> None:
    line = f"{ID},26-001,LAYOUT,CORRECTION,2026-06-01 09:00,2026-06-01 09:00,,,"

    (error,) = refused(tmp_path, line)

    assert error[1] == "A correction names a report and what it should have said."


def test_a_report_that_is_there_already_is_refused(job: Job, tmp_path: Path) -> None:
    reported(job)
    dump(directory=tmp_path, kinds=["reports"])

    with pytest.raises(LoadFailed) as failure:
        load(paths=[tmp_path / "reports.csv"], now=EVENING)

    assert {error.column for error in failure.value.errors} == {"id"}
    assert "Already in the database" in failure.value.errors[0].message


def test_a_row_without_an_id_gets_one(job: Job, tmp_path: Path) -> None:
    line = ",26-001,LAYOUT,STARTED,2026-06-01 09:00,2026-06-01 09:00,Alder crew,,\n"

    load(paths=files(tmp_path, reports=HEADER + line), now=EVENING)

    assert isinstance(FieldReport.objects.get().pk, UUID)
    assert job.phases.get(code="LAYOUT").status == "UNDER_WAY"


HISTORY = "job,phase,crew,started_at,done_at,share_done,share_at,hours\n"


def load_beside_a_history(tmp_path: Path, history: str, *reports: str) -> Phase:
    """Load what a phase was told to be and reports of it at once; return the phase."""
    given = {"history": HISTORY + history + "\n", "reports": HEADER + "\n".join(reports) + "\n"}
    load(paths=files(tmp_path, **given), now=EVENING)
    return Phase.objects.get(code="LAYOUT")


@pytest.mark.parametrize("history", ["under way", "done"])
def test_a_note_alone_leaves_the_state_of_the_history(
    job: Job, tmp_path: Path, history: str
) -> None:
    begun = "26-001,LAYOUT,Alder crew,2026-06-01T07:00:00-04:00"
    row = f"{begun},2026-06-01T09:00:00-04:00,,,8" if history == "done" else f"{begun},,0.4,,3"
    note = f"{ID},26-001,LAYOUT,NOTE,2026-06-01 10:00,2026-06-01 10:05,Alder crew,,"

    phase = load_beside_a_history(tmp_path, row, note)

    assert phase.status == ("DONE" if history == "done" else "UNDER_WAY")
    assert phase.started_at == MONDAY.replace(hour=7)
    assert phase.share_done == (1 if history == "done" else 0.4)
    assert phase.reported_hours == (8 if history == "done" else 3)
    assert phase.reports.count() == 2


def test_reports_go_on_from_the_history(job: Job, tmp_path: Path) -> None:
    row = "26-001,LAYOUT,Alder crew,2026-06-01T07:00:00-04:00,,0.4,2026-06-01T08:00:00-04:00,3"
    done = f"{ID},26-001,LAYOUT,DONE,2026-06-01 10:00,2026-06-01 10:05,Alder crew,,"

    phase = load_beside_a_history(tmp_path, row, done)

    assert (phase.status, phase.done_at) == ("DONE", MONDAY.replace(hour=10))
    assert phase.started_at == MONDAY.replace(hour=7)
    assert phase.reported_hours == 3


def test_a_history_that_its_reports_tell_adds_none(job: Job, tmp_path: Path) -> None:
    reported(job)
    before, states = rows(), list(Phase.objects.order_by("id").values())
    dump(directory=tmp_path, kinds=["history", "reports"])
    FieldReport.objects.all().delete()
    Phase.objects.update(**RESET)

    load(paths=[tmp_path / "history.csv", tmp_path / "reports.csv"], now=EVENING)

    assert rows() == before
    assert list(Phase.objects.order_by("id").values()) == states
