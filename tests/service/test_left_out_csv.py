"""Work that learning leaves out, through files and back."""

from datetime import timedelta
from pathlib import Path

import pytest

from jobs.models import Job, LeftOutWork, Phase
from jobs.services.dumping import dump
from jobs.services.left_out import leave_out
from jobs.services.loading import LoadFailed, load
from tests.service.csv_files import files
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = pytest.mark.django_db

HEADER = "job,phase,reason,at\n"
NOW = MONDAY + timedelta(days=2)


@pytest.fixture
def job() -> Job:
    make_firm()
    job = make_job(number="26-001")
    job.phases.filter(code="LAYOUT").update(
        status=Phase.Status.DONE, share_done=1, started_at=MONDAY, done_at=NOW
    )
    return job


def test_work_left_out_comes_back_as_it_was(job: Job, tmp_path: Path) -> None:
    leave_out(phase=job.phases.get(code="LAYOUT"), reason="=taught two apprentices", now=NOW)
    dump(directory=tmp_path, kinds=["left_out"])
    LeftOutWork.objects.all().delete()

    load(paths=[tmp_path / "left_out.csv"], now=NOW)

    row = LeftOutWork.objects.get()
    assert (row.phase.code, row.reason, row.at) == ("LAYOUT", "=taught two apprentices", NOW)


@pytest.mark.parametrize(
    ("line", "column", "told"),
    [
        ("26-001,DIG,rain,2026-06-01 09:00", "phase", "not done"),
        ("26-001,SLAB,rain,2026-06-01 09:00", "phase", "has no such phase"),
        ("26-001,LAYOUT,,2026-06-01 09:00", "reason", "empty"),
        ("26-001,LAYOUT,rain,2026-06-09 09:00", "at", "still to come"),
    ],
)
def test_what_teaches_nothing_anyway_is_refused(
    job: Job, tmp_path: Path, line: str, column: str, told: str
) -> None:
    with pytest.raises(LoadFailed) as failed:
        load(paths=files(tmp_path, left_out=HEADER + line), now=NOW)

    (error,) = failed.value.errors
    assert (error.column, error.line) == (column, 2)
    assert told in error.message


def test_a_row_that_is_left_out_already_is_refused(job: Job, tmp_path: Path) -> None:
    leave_out(phase=job.phases.get(code="LAYOUT"), reason="rain", now=NOW)
    line = "26-001,LAYOUT,rain again,2026-06-01 09:00"

    with pytest.raises(LoadFailed, match="1 errors"):
        load(paths=files(tmp_path, left_out=HEADER + line), now=NOW)

    assert LeftOutWork.objects.get().reason == "rain"
