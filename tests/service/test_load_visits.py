"""Authorities' own rules, rework and part passes go through files and come back the same."""

from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from inspections.models import (
    Authority,
    AuthorityClosure,
    Inspection,
    InspectionRule,
    Permit,
    SiteReadiness,
)
from inspections.selectors.desk import desk
from inspections.services.site import release
from inspections.services.visits import Said, undo
from jobs.models import Job, Phase, Plan
from jobs.services.dumping import dump
from jobs.services.loading import LoadFailed, load
from tests.factories import AuthorityFactory, OfficeFactory
from tests.service.inspecting import asked, booked, finish, phase, publish, published_job, told
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job

pytestmark = pytest.mark.django_db

OF_JOBS = {
    "authorities",
    "inspection_rules",
    "closures",
    "jobs",
    "openings",
    "permits",
    "deliveries",
    "tickets",
    "inspections",
    "history",
}


def rows():
    """Return what the files must bring back, without the numbers of rows."""
    models = (Authority, AuthorityClosure, InspectionRule, Permit, Inspection, Phase)
    return [
        [
            {k: v for k, v in row.items() if k != "id" and not k.endswith("_id")}
            for row in model.objects.order_by("pk").values()
        ]
        for model in models
    ]


def test_rules_results_and_rework_come_back(tmp_path: Path):
    make_firm()
    authority = AuthorityFactory(
        notice_working_days=0,
        notice_hours=24,
        request_way="PORTAL",
        request_to="permits.example",
        reinspection_fee_usd=Decimal("75.50"),
        fee_after_failures=2,
        visits_per_day=3,
        lapse_days=365,
    )
    authority.inspection_rules.create(inspection="FRAME_INSPECTION", uses="SHOP", holds="ROOF")
    authority.closures.create(
        first_day=date(2026, 1, 14),
        last_day=date(2026, 1, 14),
        reason="Board day",
        repeats="FREQ=MONTHLY;BYDAY=2WE",
    )
    job = make_job(number="26-001", authority=authority, foundation="POURED_PIER", pad_in=8)
    Permit.objects.update(drawings_received_on=date(2026, 3, 5))
    cover_digging(job)
    publish()
    finish(job, "LAYOUT", "DIG", at=MONDAY + timedelta(hours=5))
    visit = asked(job, "HOLE_INSPECTION", now=MONDAY + timedelta(hours=6))
    told(visit, "FAILED", now=visit.visit_until)
    publish(visit.visit_until)
    again = asked(job, "HOLE_INSPECTION", now=booked(job, "HOLE_REWORK").ends_at)
    told(again, "PARTIAL", now=again.visit_until, released="north side", released_share=0.5)
    before = rows()
    dump(directory=tmp_path)
    Plan.objects.all().delete()
    Job.objects.all().delete()
    Authority.objects.all().delete()

    load(paths=[path for path in tmp_path.glob("*.csv") if path.stem in OF_JOBS])

    assert rows() == before
    job = Job.objects.get()
    assert phase(job, "HOLE_INSPECTION").partly_passed
    assert phase(job, "HOLE_REWORK").status == "OPEN"


def test_the_record_of_a_visit_and_who_released_a_site_come_back_with_names(tmp_path: Path):
    office = OfficeFactory(username="office")
    job = published_job(number="26-001")
    release(job=job, by=office, why="Skirt board takes it up", now=MONDAY)
    finish(job, "LAYOUT", "DIG", at=MONDAY + timedelta(hours=5))
    noon = MONDAY + timedelta(hours=6)
    visit = asked(job, "HOLE_INSPECTION", now=noon)
    failed = told(visit, "FAILED", now=visit.visit_until, by=office, said_by="Inspector Dray")
    undo(event_id=failed.event.pk, said=Said(now=visit.visit_until))
    lines = "number", "at", "from_status", "to_status"
    before = list(visit.events.order_by("number").values_list(*lines))
    dump(directory=tmp_path)
    Plan.objects.all().delete()
    Job.objects.all().delete()
    Authority.objects.all().delete()

    kinds = OF_JOBS | {"visit_record", "site_readiness"}
    load(paths=[path for path in tmp_path.glob("*.csv") if path.stem in kinds])

    again = Inspection.objects.get()
    assert list(again.events.order_by("number").values_list(*lines)) == before
    assert len(before) == 3
    assert again.events.get(number=2).teller == "Inspector Dray, entered by office"
    assert again.events.get(number=3).note == "undo of line 2"
    assert not any(line.can_undo for line in desk(now=visit.visit_until).record)
    why = SiteReadiness.objects.get().release_why
    assert why == "Skirt board takes it up (released by office)"


def test_a_line_of_a_record_without_its_visit_is_told_by_line(tmp_path: Path):
    make_firm()
    make_job(number="26-001")
    path = tmp_path / "visit_record.csv"
    path.write_text(
        "job,phase,requested_at,number,at,to_status\n"
        "26-001,HOLE_INSPECTION,2026-06-01 12:00,1,2026-06-01 12:00,REQUESTED\n"
    )

    with pytest.raises(LoadFailed) as failed:
        load(paths=[path])

    (error,) = failed.value.errors
    assert (error.line, error.column) == (2, "requested_at")
    assert "inspections.csv" in error.message


def test_a_rule_of_repetition_that_cannot_be_read_is_told_by_line(tmp_path: Path):
    AuthorityFactory(name="Harrow County")
    path = tmp_path / "closures.csv"
    path.write_text(
        "authority,first_day,last_day,reason,repeats\n"
        "Harrow County,2026-01-14,2026-01-14,Board day,every second Wednesday\n"
    )

    with pytest.raises(LoadFailed) as failed:
        load(paths=[path])

    (error,) = failed.value.errors
    assert (error.line, error.column) == (2, "repeats")
    assert "FREQ=MONTHLY;BYDAY=2WE" in error.message


def test_hours_and_days_of_notice_together_are_told_by_line(tmp_path: Path):
    path = tmp_path / "authorities.csv"
    path.write_text("name,county,state,notice_working_days,notice_hours\nHarrow,Harrow,OH,1,24\n")

    with pytest.raises(LoadFailed) as failed:
        load(paths=[path])

    (error,) = failed.value.errors
    assert (error.line, error.column) == (2, "notice_hours")
