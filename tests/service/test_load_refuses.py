"""Loading files that are wrong: everything is told by file, line and column; nothing is stored."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from crews.models import Crew, DayOff, Equipment
from jobs.models import Job, Phase
from jobs.services.loading import LoadError, LoadFailed, load
from tests.factories import (
    AuthorityFactory,
    CrewFactory,
    EquipmentFactory,
    FirmFactory,
    JobFactory,
    LocateTicketFactory,
    PhaseFactory,
    WorkHoursFactory,
)
from tests.service.csv_files import BAD, GOOD, files, job_file

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)


def errors_of(paths: list[Path]) -> tuple[LoadError, ...]:
    with pytest.raises(LoadFailed) as caught:
        load(paths=paths, now=NOW)
    return caught.value.errors


def only_error(paths: list[Path]) -> LoadError:
    (error,) = errors_of(paths)
    return error


def place(error: LoadError) -> tuple[str, int | None, str]:
    return error.file, error.line, error.column


def test_the_bad_examples_are_refused_with_every_fault_at_its_place() -> None:
    WorkHoursFactory(name="Five days")

    places = {place(error) for error in errors_of(sorted(BAD.glob("*.csv")))}

    assert places == {
        ("crews.csv", 1, "shirt_color"),
        ("crews.csv", 2, "size"),
        ("crews.csv", 2, "skills"),
        ("crews.csv", 3, "work_hours"),
        ("jobs.csv", 2, "sold_on"),
        ("jobs.csv", 2, "contract_value_usd"),
        ("jobs.csv", 3, "bay_ft"),
        ("jobs.csv", 5, "number"),
        ("jobs.csv", 6, "use"),
        ("jobs.csv", 6, "site_state"),
        ("jobs.csv", 8, "promised_on"),
        ("openings.csv", 3, "height_ft"),
        ("openings.csv", 4, "job"),
    }


def test_one_bad_row_keeps_all_files_out(tmp_path: Path) -> None:
    paths = files(tmp_path, equipment="name,kind\nAuger rig 1,AUGER\n", jobs=job_file(eave_ft="3"))

    errors_of(paths)

    assert not Equipment.objects.exists()
    assert not Job.objects.exists()


def test_an_error_reads_as_file_line_column_value_and_remedy(tmp_path: Path) -> None:
    error = only_error(files(tmp_path, jobs=job_file(columns="bay_ft", cells="50")))

    assert str(error).startswith("jobs.csv, line 2, column bay_ft: 50 – ")
    assert "Enter" in str(error)


@pytest.mark.parametrize(
    ("column", "cell"),
    [
        ("sold_on", "2026-13-01"),
        ("sold_on", "20260302"),
        ("sold_on", "0206-03-02"),
        ("sold_on", "9999-12-31"),
        ("sold_on", "2026-06-02"),  # tomorrow
        ("contract_value_usd", "-1"),
        ("contract_value_usd", "1e2x"),
        ("contract_value_usd", "123456789.00"),
        ("site_state", "ohio"),
        ("number", "26 301"),
        ("width_ft", "nan"),
        ("width_ft", "inf"),
        ("width_ft", "30 ft"),
        ("width_ft", "0"),
        ("eave_ft", "99"),
        ("buyer_name", ""),
        ("buyer_name", "x" * 81),
    ],
)
def test_a_cell_that_is_wrong_is_told_at_its_column(tmp_path: Path, column: str, cell: str) -> None:
    error = only_error(files(tmp_path, jobs=job_file(**{column: cell})))

    assert place(error) == ("jobs.csv", 2, column)
    assert error.value == cell


@pytest.mark.parametrize(
    ("columns", "cells", "blamed"),
    [
        ("promised_on", "2026-03-01", "promised_on"),
        ("status", "DONE", "completed_on"),
        ("completed_on", "2026-01-01", "completed_on"),
        ("drive_minutes", "181", "drive_minutes"),
        ("drive_minutes", "12.5", "drive_minutes"),
        ("extends_existing", "maybe", "extends_existing"),
        ("roof_gauge", "27", "roof_gauge"),
        ("foundation", "SLAB_BRACKET", "slab_in"),
        ("ceiling_lining", "STEEL", "liner_gauge"),
        ("buyer_email", "at home", "buyer_email"),
    ],
)
def test_more_columns_are_checked_alone_and_together(
    tmp_path: Path, columns: str, cells: str, blamed: str
) -> None:
    error = only_error(files(tmp_path, jobs=job_file(columns=columns, cells=cells)))

    assert place(error) == ("jobs.csv", 2, blamed)


def test_a_missing_column_is_told_once_and_not_for_every_row(tmp_path: Path) -> None:
    error = only_error(files(tmp_path, equipment="name\nAuger rig 1\nAuger rig 2\n"))

    assert place(error) == ("equipment.csv", 1, "kind")


def test_a_permit_without_its_column_of_authorities_is_told_once_beside_its_job(
    tmp_path: Path,
) -> None:
    paths = files(tmp_path, jobs=job_file(), permits="job,is_exempt\n26-301,false\n")

    error = only_error(paths)

    assert place(error) == ("permits.csv", 1, "authority")
    assert not Job.objects.exists()


def test_an_unknown_column_is_told_with_those_that_exist(tmp_path: Path) -> None:
    error = only_error(files(tmp_path, equipment="name,kind,paint\nAuger rig 1,AUGER,red\n"))

    assert place(error) == ("equipment.csv", 1, "paint")
    assert "name, kind, is_active" in error.message


def test_a_door_fault_is_told_at_the_line_of_that_door(tmp_path: Path) -> None:
    openings = "job,kind,width_ft,height_ft\n26-301,WALK_DOOR,3,7\n\n26-301,OVERHEAD_DOOR,10,9.5\n"

    error = only_error(files(tmp_path, jobs=job_file(), openings=openings))

    assert place(error) == ("openings.csv", 4, "height_ft")


def test_a_lean_to_fault_is_told_at_the_line_of_that_lean_to(tmp_path: Path) -> None:
    lean_tos = "job,width_ft,length_ft,low_eave_ft\n26-301,12,60,8\n"

    error = only_error(files(tmp_path, jobs=job_file(), lean_tos=lean_tos))

    assert place(error) == ("lean_tos.csv", 2, "length_ft")


def test_openings_that_do_not_fit_together_are_told_at_the_job(tmp_path: Path) -> None:
    openings = "job,kind,width_ft,height_ft,count\n26-301,SLIDING_DOOR,12,9,6\n"

    error = only_error(files(tmp_path, jobs=job_file(), openings=openings))

    assert place(error) == ("jobs.csv", 2, "openings")


def test_doors_of_a_job_that_is_stored_are_refused(tmp_path: Path) -> None:
    JobFactory(number="26-301")
    openings = "job,kind,width_ft,height_ft\n26-301,WALK_DOOR,3,7\n"

    assert place(only_error(files(tmp_path, openings=openings))) == ("openings.csv", 2, "job")


def test_the_same_number_twice_in_a_file_names_the_other_line(tmp_path: Path) -> None:
    text = "name,kind\nAuger rig 1,AUGER\nTelehandler,TELEHANDLER\nAuger rig 1,AUGER\n"

    error = only_error(files(tmp_path, equipment=text))

    assert place(error) == ("equipment.csv", 4, "name")
    assert "line 2" in error.message


def test_a_number_that_is_stored_already_is_refused_and_the_stored_row_stays(
    tmp_path: Path,
) -> None:
    JobFactory(number="26-301", buyer_name="Someone else")

    error = only_error(files(tmp_path, jobs=job_file()))

    assert place(error) == ("jobs.csv", 2, "number")
    assert Job.objects.get().buyer_name == "Someone else"


def test_loading_the_same_files_twice_tells_every_row_that_is_there() -> None:
    paths = sorted(GOOD.glob("*.csv"))
    load(paths=paths, now=NOW)

    told = {(error.file, error.line) for error in errors_of(paths)}

    assert {("jobs.csv", 2), ("jobs.csv", 4), ("crews.csv", 2), ("work_hours.csv", 2)} <= told
    assert Job.objects.count() == 2


def test_a_second_firm_is_refused(tmp_path: Path) -> None:
    FirmFactory(name="Plumb Line Post Frame")

    error = only_error(files(tmp_path, firm="name,state\nOther Post Frame,OH\n"))

    assert place(error) == ("firm.csv", 2, "name")


def test_an_unknown_crew_is_told_with_the_crews_there_are(tmp_path: Path) -> None:
    paths = files(
        tmp_path,
        work_hours="name,monday\nMondays,07:00-15:00\n",
        crews="name,size,skills,work_hours\nRowan crew,3,FRAMING,Mondays\n",
        days_off="first_day,last_day,crew,reason\n2026-07-06,2026-07-06,Rowen crew,Training\n",
    )

    error = only_error(paths)

    assert place(error) == ("days_off.csv", 2, "crew")
    assert "Rowan crew" in error.message


def test_rows_that_name_a_bad_row_are_not_complained_of(tmp_path: Path) -> None:
    paths = files(
        tmp_path,
        work_hours="name,monday\nMondays,7 to 3\n",
        crews="name,size,skills,work_hours\nRowan crew,3,FRAMING,Mondays\n",
        days_off="first_day,last_day,crew,reason\n2026-07-06,2026-07-06,Rowan crew,Training\n",
    )

    assert place(only_error(paths)) == ("work_hours.csv", 2, "monday")


def test_a_day_off_that_ends_before_it_begins_is_refused_among_good_ones(tmp_path: Path) -> None:
    CrewFactory(name="Rowan crew")
    EquipmentFactory(name="Auger rig 1")
    text = (
        "first_day,last_day,crew,equipment,reason\n"
        "2026-07-06,2026-07-07,Rowan crew,,Training\n"
        "2026-07-09,2026-07-08,Rowan crew,,Training\n"
        "2026-07-10,2026-07-10,Rowan crew,Auger rig 1,Service\n"
    )

    places = [place(error) for error in errors_of(files(tmp_path, days_off=text))]

    assert places == [("days_off.csv", 3, "last_day"), ("days_off.csv", 4, "equipment")]
    assert not DayOff.objects.exists()


def test_a_ticket_number_that_is_stored_is_refused(tmp_path: Path) -> None:
    LocateTicketFactory(number="T-1", job__number="26-301")
    text = "number,job,called_on,dig_from,expires_on\nT-1,26-301,2026-04-06,2026-04-09,2026-04-24\n"

    assert place(only_error(files(tmp_path, tickets=text))) == ("tickets.csv", 2, "number")


@pytest.mark.parametrize(
    ("kind", "header", "cells", "blamed"),
    [
        ("permits", "job,authority,issued_on", "26-301,Harrow County,2026-06-02", "issued_on"),
        ("permits", "job,authority,applied_on", "26-301,Harrow County,2026-06-02", "applied_on"),
        ("deliveries", "job,item,arrived_on", "26-301,STEEL,2026-06-02", "arrived_on"),
        ("deliveries", "job,item,ordered_on", "26-301,STEEL,2026-06-02", "ordered_on"),
        (
            "tickets",
            "number,job,called_on,dig_from,expires_on",
            "T-1,26-301,2026-06-02,2026-06-05,2026-06-20",
            "called_on",
        ),
    ],
)
def test_a_fact_of_a_day_to_come_is_refused(
    tmp_path: Path, kind: str, header: str, cells: str, blamed: str
) -> None:
    JobFactory(number="26-301")
    AuthorityFactory(name="Harrow County")

    error = only_error(files(tmp_path, **{kind: f"{header}\n{cells}\n"}))

    assert place(error) == (f"{kind}.csv", 2, blamed)
    assert "still to come" in error.message


def test_a_rate_that_no_phase_reads_is_refused(tmp_path: Path) -> None:
    error = only_error(files(tmp_path, rates="code,hours_per_unit\npaint_sf,0.1\n"))

    assert place(error) == ("rates.csv", 2, "code")
    assert "roof_sf" in error.message


@pytest.mark.parametrize(
    ("cells", "blamed"),
    [
        ("LINER,2026-04-13 07:30,2026-04-13 09:30,", "phase"),  # the job has no liner
        ("PAINT,2026-04-13 07:30,2026-04-13 09:30,", "phase"),
        ("DIG,2026-04-13 09:30,2026-04-13 07:30,", "done_at"),
        ("DIG,2026-04-13 07:30,2026-06-13 09:30,", "done_at"),  # still to come
        ("DIG,2026-04-13 07:30,2026-04-13 09:30,0.5", "share_done"),
        ("DIG,2026-04-13 07:30,,1.5", "share_done"),
        ("DIG,,,0.5", "started_at"),
        ("DIG,2026-04-13,,", "started_at"),
        ("DIG,9999-12-31 23:00,,", "started_at"),
        ("DIG,0001-01-01T00:00+14:00,,", "started_at"),
        ("DIG,2026-03-08 02:30,,", "started_at"),  # the clock skips it
    ],
)
def test_history_that_cannot_be_is_refused(tmp_path: Path, cells: str, blamed: str) -> None:
    history = f"job,phase,started_at,done_at,share_done\n26-301,{cells}\n"

    error = only_error(files(tmp_path, jobs=job_file(), history=history))

    assert place(error) == ("history.csv", 2, blamed)


def test_history_of_a_phase_that_has_begun_is_refused(tmp_path: Path) -> None:
    PhaseFactory(job__number="26-301", code="DIG", status="UNDER_WAY", started_at=NOW)
    history = "job,phase,started_at\n26-301,DIG,2026-04-13 07:30\n"

    assert place(only_error(files(tmp_path, history=history))) == ("history.csv", 2, "phase")
    assert Phase.objects.get().started_at == NOW


def test_a_time_that_the_clock_shows_twice_needs_its_offset(tmp_path: Path) -> None:
    job = JobFactory(number="26-301", sold_on=datetime(2025, 9, 1, tzinfo=UTC).date())
    PhaseFactory(job=job, code="DIG")
    twice = "job,phase,started_at\n26-301,DIG,2025-11-02 01:30\n"

    error = only_error(files(tmp_path, history=twice))
    load(paths=files(tmp_path, history=twice.replace(" 01:30", "T01:30-05:00")), now=NOW)

    assert "2025-11-02T01:30:00-04:00" in error.message
    assert Phase.objects.get().started_at == datetime(2025, 11, 2, 6, 30, tzinfo=UTC)


def test_work_that_is_no_inspection_is_refused_as_one(tmp_path: Path) -> None:
    inspections = "job,phase,requested_at\n26-301,DIG,2026-04-13 07:30\n"

    error = only_error(files(tmp_path, jobs=job_file(), inspections=inspections))

    assert place(error) == ("inspections.csv", 2, "phase")
    assert "HOLE_INSPECTION" in error.message


def test_a_confirmed_inspection_without_its_time_is_refused(tmp_path: Path) -> None:
    PhaseFactory(job__number="26-301", code="HOLE_INSPECTION")
    inspections = (
        "job,phase,status,requested_at\n26-301,HOLE_INSPECTION,CONFIRMED,2026-04-13 07:30\n"
    )

    error = only_error(files(tmp_path, inspections=inspections))

    assert error.file == "inspections.csv"
    assert "confirmed visit needs its time" in error.message


def test_a_crew_without_skills_is_refused(tmp_path: Path) -> None:
    WorkHoursFactory(name="Five days")

    error = only_error(
        files(tmp_path, crews="name,size,skills,work_hours\nRowan crew,3,,Five days\n")
    )

    assert place(error) == ("crews.csv", 2, "skills")


def test_the_command_lists_the_errors_and_fails(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (path,) = files(tmp_path, equipment="name,kind\nAuger rig 1,DRILL\n")

    with pytest.raises(CommandError, match=r"1 error, nothing was stored"):
        call_command("load", str(path))

    assert "equipment.csv, line 2, column kind: DRILL – " in capsys.readouterr().err
    assert not Crew.objects.exists()
