"""Loading good files: what is stored, and what hangs on it."""

from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from django.core.management import call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext

from crews.models import Crew, DayOff, HolidayYear
from inspections.models import Inspection, LocateTicket, Permit
from jobs.models import Delivery, Job, LaborRate, Opening, Phase
from jobs.services.loading import load
from tests.factories import (
    AuthorityFactory,
    CrewFactory,
    FirmFactory,
    JobFactory,
    WorkHoursFactory,
)
from tests.service.csv_files import GOOD, JOB, JOB_COLUMNS, files, job_file

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)


def good_files() -> list[Path]:
    return sorted(GOOD.glob("*.csv"))


def test_the_good_examples_load_whatever_the_order_of_the_files() -> None:
    report = load(paths=good_files()[::-1], now=NOW)

    assert report.counts["jobs"] == 2
    assert Job.objects.get(number="26-301").preferred_crew == Crew.objects.get()
    assert Opening.objects.count() == 3
    assert Permit.objects.get(job__number="26-302").expected_on == date(2026, 5, 4)
    assert LocateTicket.objects.get().number == "T-5501"


def test_a_quoted_line_break_and_a_quoted_comma_come_through() -> None:
    load(paths=good_files(), now=NOW)

    notes = Job.objects.get(number="26-301").notes
    assert notes == "Gate code from the buyer.\nClose it behind you."
    assert Job.objects.get(number="26-302").buyer_name == "Trask, Odette"


def test_a_job_gets_its_phases_from_building_and_authority() -> None:
    load(paths=good_files(), now=NOW)

    codes = set(Phase.objects.filter(job__number="26-302").values_list("code", flat=True))
    assert {"LAYOUT", "DIG", "HOLE_INSPECTION", "POUR", "POSTS", "FINAL_INSPECTION"} <= codes


def test_history_says_which_phases_are_done_and_which_under_way() -> None:
    load(paths=good_files(), now=NOW)

    phases = Phase.objects.filter(job__number="26-301")
    dig, posts = phases.get(code="DIG"), phases.get(code="POSTS")
    assert (dig.status, dig.share_done, dig.reported_hours) == (Phase.Status.DONE, 1.0, 9.5)
    assert (posts.status, posts.share_done, posts.done_at) == (Phase.Status.UNDER_WAY, 0.5, None)
    assert posts.crew == Crew.objects.get()
    assert phases.get(code="ROOF").status == Phase.Status.OPEN


def test_moments_without_offset_are_the_clock_at_the_site() -> None:
    load(paths=good_files(), now=NOW)

    layout = Phase.objects.get(job__number="26-301", code="LAYOUT")
    assert layout.started_at == datetime(2026, 4, 13, 11, 30, tzinfo=UTC)  # 07:30, UTC-4


def test_an_inspection_finds_its_phase() -> None:
    load(paths=good_files(), now=NOW)

    inspection = Inspection.objects.select_related("phase").get()
    assert (inspection.phase.code, inspection.status) == ("HOLE_INSPECTION", "PASSED")


def test_a_row_tells_more_about_a_delivery_than_the_one_written_for_a_new_job() -> None:
    load(paths=good_files(), now=NOW)
    written_for_the_job = Delivery.objects.get(job__number="26-301", item="STEEL")

    assert written_for_the_job.promised_on is None
    assert Delivery.objects.get(job__number="26-301", item="TRUSSES").supplier == "Gable End Truss"


def test_deliveries_load_after_their_job_too(tmp_path: Path) -> None:
    early = [path for path in good_files() if path.stem != "deliveries"]
    load(paths=early, now=NOW)

    load(paths=[GOOD / "deliveries.csv"], now=NOW)

    assert Delivery.objects.get(job__number="26-301", item="TRUSSES").arrived_on == date(2026, 4, 8)


def test_a_permit_that_comes_later_brings_the_inspections(tmp_path: Path) -> None:
    load(paths=files(tmp_path, jobs=job_file()), now=NOW)
    AuthorityFactory(name="Fennel County Building Office")
    before = set(Phase.objects.values_list("code", flat=True))

    permits = "job,authority,issued_on\n26-301,Fennel County Building Office,2026-04-01\n"
    load(paths=files(tmp_path, permits=permits), now=NOW)

    assert "FRAME_INSPECTION" not in before
    assert Phase.objects.filter(code="FRAME_INSPECTION").count() == 1


def test_the_firms_own_rate_counts_for_jobs_loaded_with_it(tmp_path: Path) -> None:
    load(paths=files(tmp_path, jobs=job_file()), now=NOW)
    starter = Phase.objects.get(code="POSTS").labor_hours

    rates = "code,hours_per_unit\nset_post,8\n"
    load(paths=files(tmp_path, jobs=job_file(number="26-302"), rates=rates), now=NOW)

    assert LaborRate.objects.count() == 1
    assert Phase.objects.get(job__number="26-302", code="POSTS").labor_hours > 2 * starter


def test_a_dry_run_tells_the_counts_and_stores_nothing() -> None:
    report = load(paths=good_files(), now=NOW, dry_run=True)

    assert report.counts["jobs"] == 2
    assert not Job.objects.exists()
    assert not Crew.objects.exists()


def test_unusual_buildings_load_with_a_caution_at_their_line(tmp_path: Path) -> None:
    text = job_file(eave_ft="18")

    report = load(paths=files(tmp_path, jobs=text), now=NOW)

    assert ("jobs.csv", 2, "eave_ft") in {(c.file, c.line, c.column) for c in report.cautions}


def test_a_shift_moves_days_and_keeps_the_time_of_day(tmp_path: Path) -> None:
    load(paths=good_files(), shift_days=210)  # from summer time into winter time

    job = Job.objects.get(number="26-301")
    layout = Phase.objects.get(job=job, code="LAYOUT")
    assert job.sold_on == date(2026, 9, 28)
    assert layout.started_at == datetime(2026, 11, 9, 12, 30, tzinfo=UTC)  # 07:30, UTC-5


def test_a_byte_order_mark_does_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "equipment.csv"
    path.write_bytes(b"\xef\xbb\xbfname,kind\r\nAuger rig 1,AUGER\r\n")

    assert load(paths=[path]).counts == {"equipment": 1}


def test_a_public_holiday_marks_its_year_as_written(tmp_path: Path) -> None:
    FirmFactory()
    text = (
        "first_day,last_day,reason,is_public_holiday\n2027-07-05,2027-07-05,Independence Day,yes\n"
    )

    load(paths=files(tmp_path, days_off=text))

    assert DayOff.objects.get().is_public_holiday
    assert HolidayYear.objects.get().year == 2027


def test_rows_refer_to_what_the_database_has(tmp_path: Path) -> None:
    WorkHoursFactory(name="Five days")
    text = "name,size,skills,work_hours\nRowan crew,4,FRAMING STEEL,Five days\n"

    load(paths=files(tmp_path, crews=text))

    assert Crew.objects.get().work_hours.name == "Five days"
    assert Crew.objects.get().skills == ["FRAMING", "STEEL"]


def test_rows_without_phases_take_no_more_queries_for_more_rows(tmp_path: Path) -> None:
    CrewFactory(name="Rowan crew")
    JobFactory(number="26-301")
    counts = []
    for number in (2, 40):
        days = "".join(f"2027-01-04,2027-01-05,Rowan crew,{number} {n}\n" for n in range(number))
        tickets = "".join(
            f"T-{number}-{n},26-301,2026-04-06,2026-04-09,2026-04-24\n" for n in range(number)
        )
        paths = files(
            tmp_path,
            days_off=f"first_day,last_day,crew,reason\n{days}",
            tickets=f"number,job,called_on,dig_from,expires_on\n{tickets}",
        )
        with CaptureQueriesContext(connection) as queries:
            load(paths=paths)
        counts.append(len(queries))

    assert counts[0] == counts[1]


def test_queries_of_a_job_stay_within_a_few(tmp_path: Path) -> None:
    counts = []
    for first, number in ((100, 2), (200, 12)):
        rows = "".join(f"{JOB.replace('26-301', f'27-{first + n}')}\n" for n in range(number))
        paths = files(tmp_path, jobs=f"{JOB_COLUMNS}\n{rows}")
        with CaptureQueriesContext(connection) as queries:
            load(paths=paths)
        counts.append(len(queries))

    assert counts[1] - counts[0] <= 10 * 12


def test_the_command_tells_what_it_loaded(capsys: pytest.CaptureFixture[str]) -> None:
    call_command("load", *map(str, good_files()))

    out = capsys.readouterr().out
    assert "2 jobs" in out
    assert "Loaded." in out
