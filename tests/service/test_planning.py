"""Planning: from rows to a stored, checked draft."""

from datetime import date, datetime, timedelta
from itertools import pairwise

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from contractor.trade.errors import SpecError
from inspections.models import Authority, LocateTicket
from jobs.models import Booking, Delivery, Job, Phase, Plan, PlanRequest
from jobs.selectors import plans
from jobs.services import planning, publishing
from jobs.services.intake import check, refresh_phases
from tests.factories import AuthorityFactory, DayOffFactory, LocateTicketFactory
from tests.service.portfolio import MONDAY, ZONE, cover_digging, make_firm, make_job

pytestmark = pytest.mark.django_db


def draft(**given: object) -> Plan:
    return planning.plan_now(now=MONDAY, budget_seconds=0, **given)  # type: ignore[arg-type]


def booked(plan: Plan, code: str) -> Booking:
    return Booking.objects.get(plan=plan, phase__code=code)


def local(instant: datetime) -> datetime:
    return instant.astimezone(ZONE)


def test_every_open_phase_of_a_job_is_booked_in_build_order():
    make_firm()
    job = make_job()

    plan = draft()

    rows = list(Booking.objects.filter(plan=plan).order_by("starts_at", "phase__sequence"))
    assert {row.phase.code for row in rows} == {phase.code for phase in job.phases.all()}
    assert plan.unplanned == []
    assert booked(plan, "LAYOUT").starts_at < booked(plan, "DIG").starts_at
    assert booked(plan, "DIG").ends_at <= booked(plan, "HOLE_INSPECTION").starts_at
    assert booked(plan, "HOLE_INSPECTION").ends_at <= booked(plan, "POSTS").starts_at


def test_planning_writes_one_draft_and_replaces_the_draft_before_it():
    make_firm()
    make_job()

    first, second = draft(), draft()

    first.refresh_from_db()
    assert (first.status, second.status) == (Plan.Status.REPLACED, Plan.Status.DRAFT)


def test_the_crew_that_lays_out_goes_straight_on_to_dig():
    make_firm(crews=3)
    job = make_job()

    plan = draft()

    layout, dig = booked(plan, "LAYOUT"), booked(plan, "DIG")
    assert layout.crew == dig.crew
    assert layout.ends_at == dig.starts_at
    assert dig.because_phase == layout.phase
    hours = {phase.code: phase.planned_hours for phase in job.phases.all()}
    assert layout.work_hours == pytest.approx(hours["LAYOUT"] / 4, abs=0.25)
    assert dig.work_hours == pytest.approx(hours["DIG"] / 4, abs=0.25)


def test_digging_waits_for_the_locate_notice_and_stays_inside_a_live_ticket():
    make_firm()
    job = make_job()

    without = booked(draft(), "DIG")
    LocateTicketFactory(
        job=job,
        called_on=date(2026, 5, 28),
        dig_from=date(2026, 6, 1),
        expires_on=date(2026, 6, 12),
    )
    covered = booked(draft(), "DIG")

    assert local(without.starts_at).date() >= date(2026, 6, 3)
    assert local(covered.starts_at).date() == date(2026, 6, 1)


def test_an_expired_ticket_covers_nothing():
    make_firm()
    job = make_job()
    LocateTicketFactory(
        job=job,
        called_on=date(2026, 5, 4),
        dig_from=date(2026, 5, 7),
        expires_on=date(2026, 5, 29),
    )

    plan = draft()

    assert local(booked(plan, "DIG").starts_at).date() >= date(2026, 6, 3)
    assert LocateTicket.objects.count() == 1


def test_a_job_without_a_permit_date_is_listed_with_the_reason():
    make_firm()
    job = make_job()
    job.permit.issued_on = None
    job.permit.save()

    plan = draft()

    assert Booking.objects.filter(plan=plan).count() == 0
    assert plan.unplanned[0]["job"] == job.number
    assert "permit is not issued" in plan.unplanned[0]["reason"]


def test_the_first_phase_waits_for_the_expected_permit():
    make_firm()
    job = make_job()
    job.permit.issued_on, job.permit.expected_on = None, date(2026, 6, 17)
    job.permit.save()

    layout = booked(draft(), "LAYOUT")

    assert local(layout.starts_at).date() == date(2026, 6, 18)
    assert "permit expected" in layout.because.lower()


def test_trusses_promised_late_hold_the_phase_that_needs_them():
    make_firm()
    job = make_job()
    Delivery.objects.filter(job=job, item="TRUSSES").update(
        arrived_on=None, promised_on=date(2026, 7, 8)
    )

    plan = draft()

    held = Booking.objects.filter(plan=plan, because__contains="Trusses promised").get()
    assert local(held.starts_at).date() == date(2026, 7, 9)
    assert booked(plan, "ROOF").starts_at >= held.ends_at


def test_poured_piers_wait_for_strength_and_precast_piers_do_not():
    make_firm()
    poured = make_job(number="26-900", foundation="POURED_PIER")
    precast = make_job(number="26-901", foundation="PRECAST_PIER")

    plan = draft()

    kinds = {
        job.number: set(plans.job_waits(plan, job).values_list("kind", flat=True))
        for job in (poured, precast)
    }
    assert "CURE" in kinds["26-900"]
    assert "CURE" not in kinds["26-901"]


def test_colder_months_make_the_pads_wait_longer():
    make_firm()
    job = make_job(foundation="POURED_PIER", promised_on=None)

    def cure_hours(now: datetime) -> float:
        plan = planning.plan_now(now=now, budget_seconds=0)
        wait = plans.job_waits(plan, job).filter(kind="CURE").order_by("starts_at").last()
        assert wait is not None
        return (wait.ends_at - wait.starts_at).total_seconds() / 3600

    assert cure_hours(MONDAY) < cure_hours(datetime(2027, 1, 4, 6, 0, tzinfo=ZONE))


def test_a_hole_inspection_falls_into_a_visit_window_of_its_authority():
    make_firm()
    authority = AuthorityFactory(
        visit_windows="09:00-12:00 13:00-15:00",
        weekdays="Tue Thu",
        asked_when=Authority._meta.get_field("asked_when").choices[0][0],
    )
    make_job(authority=authority)

    visit = booked(draft(), "HOLE_INSPECTION")

    begins, ends = local(visit.starts_at), local(visit.ends_at)
    assert begins.weekday() in (1, 3)
    assert (begins.hour, ends.hour) in ((9, 12), (13, 15))
    assert begins.date() == ends.date()


def test_an_exempt_job_has_no_inspections():
    make_firm()
    job = make_job()
    job.permit.is_exempt, job.permit.issued_on = True, None
    job.permit.save()

    plan = draft()

    codes = set(Booking.objects.filter(plan=plan).values_list("phase__code", flat=True))
    assert codes
    assert not {code for code in codes if code.endswith("INSPECTION")}


def test_no_crew_is_in_two_places_and_no_machine_either():
    make_firm(crews=3)
    for number in range(8):
        make_job(number=f"26-8{number:02d}")

    plan = draft()

    by_crew: dict[object, list[Booking]] = {}
    for row in Booking.objects.filter(plan=plan).prefetch_related("equipment"):
        keys = [f"machine {m.pk}" for m in row.equipment.all()]
        for key in [*keys, *([f"crew {row.crew_id}"] if row.crew_id else [])]:
            by_crew.setdefault(key, []).append(row)
    assert len(by_crew) == 5
    for rows in by_crew.values():
        rows.sort(key=lambda row: row.starts_at)
        for earlier, later in pairwise(rows):
            assert earlier.ends_at <= later.starts_at


def test_a_crews_day_off_pauses_its_phase():
    crew = make_firm(crews=1)[0]
    cover_digging(make_job())
    DayOffFactory(crew=crew, first_day=date(2026, 6, 1), last_day=date(2026, 6, 2))

    layout = booked(draft(), "LAYOUT")

    assert local(layout.starts_at).date() == date(2026, 6, 3)


def test_driving_comes_off_both_ends_of_the_day():
    make_firm(crews=1)
    make_job(drive_minutes=50)

    layout = booked(draft(), "LAYOUT")

    assert local(layout.starts_at).strftime("%H:%M") == "08:00"


def test_work_under_way_continues_with_what_is_left_of_it():
    crew = make_firm(crews=2)[1]
    job = make_job()
    layout = Phase.objects.get(job=job, code="LAYOUT")
    layout.status, layout.crew, layout.share_done = Phase.Status.UNDER_WAY, crew, 0.5
    layout.started_at = MONDAY - timedelta(days=3)
    layout.save()

    row = booked(draft(), "LAYOUT")

    assert row.crew == crew
    whole = layout.planned_hours / 4
    assert row.work_hours == pytest.approx(whole / 2, abs=0.25)


def test_a_done_phase_is_not_planned_again():
    crew = make_firm(crews=1)[0]
    job = make_job()
    Phase.objects.filter(job=job, code="LAYOUT").update(
        status=Phase.Status.DONE,
        crew=crew,
        started_at=MONDAY - timedelta(days=4),
        done_at=MONDAY - timedelta(days=3),
        share_done=1,
    )

    plan = draft()

    assert not Booking.objects.filter(plan=plan, phase__code="LAYOUT").exists()
    assert booked(plan, "DIG").starts_at > MONDAY


def test_a_phase_nobody_is_skilled_for_is_listed_and_the_rest_is_planned():
    for crew in make_firm(crews=2):
        crew.skills = ["LAYOUT", "AUGER", "CONCRETE", "FRAMING", "STEEL"]
        crew.save()
    make_job()

    plan = draft()

    reasons = {row["phase"]: row["reason"] for row in plan.unplanned}
    assert "finish" in reasons["PUNCH"]
    assert "not planned" in reasons["FINAL_INSPECTION"]
    assert Booking.objects.filter(plan=plan, phase__code="TRIM").exists()


def test_a_job_that_cannot_be_built_is_listed_and_the_others_are_planned():
    make_firm()
    wrong, right = make_job(number="26-500"), make_job(number="26-501")
    Job.objects.filter(pk=wrong.pk).update(eave_ft=2)

    plan = draft()

    assert {row["job"] for row in plan.unplanned} == {"26-500"}
    assert "eave_ft 2" in plan.unplanned[0]["reason"]
    assert Booking.objects.filter(plan=plan, phase__job=right).exists()


def test_a_request_answers_all_that_were_queued_before_it():
    make_firm()
    make_job()
    first = planning.request_plan(reason="a report", now=MONDAY, budget_seconds=0)
    second = planning.request_plan(reason="another", now=MONDAY, budget_seconds=0)

    assert planning.claim(plan_request_id=first.pk, now=MONDAY)
    assert not planning.claim(plan_request_id=first.pk, now=MONDAY)
    planning.run_request(plan_request_id=first.pk, now=MONDAY)

    statuses = set(PlanRequest.objects.values_list("status", flat=True))
    second.refresh_from_db()
    assert statuses == {PlanRequest.Status.DONE}
    assert second.plan is not None


def test_a_request_whose_worker_died_is_freed_and_sent_again():
    make_firm()
    request = planning.request_plan(reason="a report", now=MONDAY)
    planning.claim(plan_request_id=request.pk, now=MONDAY)

    early = planning.free_stale_requests(now=MONDAY + timedelta(minutes=5))
    late = planning.free_stale_requests(now=MONDAY + timedelta(minutes=11))

    assert (early, late) == ([], [request.pk])
    request.refresh_from_db()
    assert request.status == PlanRequest.Status.QUEUED


def test_hours_follow_the_building_until_a_phase_has_begun():
    make_firm()
    job = make_job(width_ft=30, length_ft=40)
    before = {phase.code: phase.labor_hours for phase in job.phases.all()}
    Phase.objects.filter(job=job, code="LAYOUT").update(
        status=Phase.Status.UNDER_WAY, started_at=MONDAY
    )

    job.length_ft = 80
    job.save()
    refresh_phases(job=job)

    after = dict(Phase.objects.filter(job=job).values_list("code", "labor_hours"))
    assert after["ROOF"] > before["ROOF"] * 1.5
    assert after["LAYOUT"] == before["LAYOUT"]


def test_a_phase_the_building_no_longer_has_is_left_out_and_not_deleted():
    make_firm()
    job = make_job(wall_lining="STEEL")
    assert Phase.objects.filter(job=job, code="LINER").exists()

    job.wall_lining = "NONE"
    job.save()
    refresh_phases(job=job)
    plan = draft()

    assert Phase.objects.get(job=job, code="LINER").status == Phase.Status.DROPPED
    assert not Booking.objects.filter(plan=plan, phase__code="LINER").exists()


def test_planning_reads_in_a_constant_number_of_queries(django_assert_max_num_queries):
    make_firm()
    for number in range(3):
        make_job(number=f"26-7{number:02d}")
    draft()

    with django_assert_max_num_queries(45):
        draft()
    for number in range(3, 12):
        make_job(number=f"26-7{number:02d}")
    with django_assert_max_num_queries(45):
        draft()


def test_a_promise_typed_ten_years_off_is_refused_before_it_stretches_the_plan():
    job = make_job()
    job.promised_on = timezone.localdate() + timedelta(days=3653)

    with pytest.raises(ValidationError, match="more than five years ahead"):
        job.full_clean()


def test_a_slab_is_protected_in_winter_and_does_not_wait_for_spring():
    """At 50 °F type I concrete has 70 % after 12.6 days: ACI 209 and ASTM C1074 (from memory)."""
    make_firm()
    job = make_job(slab_in=4, wall_lining="STEEL", promised_on=None)

    plan = planning.plan_now(now=datetime(2027, 1, 4, 6, 0, tzinfo=ZONE), budget_seconds=0)

    wait = plans.job_waits(plan, job).get(kind="CURE", before_code="LINER")
    assert 12.5 <= (wait.ends_at - wait.starts_at).total_seconds() / 86_400 <= 12.8


def test_work_under_way_is_taken_to_go_on_as_planned_while_nobody_reports():
    """What is planned behind it stays where it is, an hour or a day later."""
    crew = make_firm(crews=1)[0]
    job = make_job()
    cover_digging(job)
    Phase.objects.filter(job=job, code="LAYOUT").update(
        status=Phase.Status.DONE,
        started_at=MONDAY - timedelta(days=4),
        done_at=MONDAY - timedelta(days=3),
        share_done=1,
    )
    Phase.objects.filter(job=job, code="DIG").update(
        status=Phase.Status.UNDER_WAY,
        crew=crew,
        office_hours=60,
        started_at=MONDAY - timedelta(days=3),
        share_done=0.2,
        share_at=MONDAY,
    )
    ends = booked(draft(), "DIG").ends_at

    for hours in (3, 8, 26, 28):
        later = planning.plan_now(now=MONDAY + timedelta(hours=hours), budget_seconds=0)
        assert booked(later, "DIG").ends_at == ends

    overdue = planning.plan_now(now=ends + timedelta(days=2), budget_seconds=0)
    assert booked(overdue, "DIG").work_hours == 0.25


def test_work_that_should_have_begun_keeps_its_turn_and_its_crew():
    make_firm(crews=2)
    jobs = [make_job(number=f"26-60{number}") for number in range(3)]
    for job in jobs:
        cover_digging(job)
    published = draft()
    publishing.publish(plan_id=published.pk, now=MONDAY)
    told = {
        row.phase_id: row.crew_id
        for row in Booking.objects.filter(plan=published, crew__isnull=False)
    }

    later = planning.plan_now(now=MONDAY + timedelta(hours=6), budget_seconds=0)

    rows = Booking.objects.filter(plan=later, crew__isnull=False)
    assert {row.phase_id: row.crew_id for row in rows} == told


def test_a_state_without_a_locate_rule_is_refused_at_the_door():
    job = make_job(site_state="ZZ")

    with pytest.raises(SpecError, match="site_state ZZ: no locate rule"):
        check(job=job, openings=(), lean_tos=(), today=MONDAY.date(), is_new=False)


def test_an_unreported_phase_in_the_middle_of_its_time_is_taken_to_go_on():
    make_firm(crews=1)
    job = make_job()
    cover_digging(job)
    published = draft()
    publishing.publish(plan_id=published.pk, now=MONDAY)
    layout = booked(published, "LAYOUT")

    later = planning.plan_now(now=layout.starts_at + timedelta(hours=1), budget_seconds=0)

    for code in ("LAYOUT", "DIG", "POSTS", "ROOF"):
        assert booked(later, code).ends_at == booked(published, code).ends_at
    assert Phase.objects.get(job=job, code="LAYOUT").status == Phase.Status.OPEN


def test_a_visit_that_is_going_on_ends_with_its_window():
    make_firm(crews=1)
    job = make_job()
    cover_digging(job)
    published = draft()
    publishing.publish(plan_id=published.pk, now=MONDAY)
    visit = booked(published, "HOLE_INSPECTION")
    for code in ("LAYOUT", "DIG"):
        row = booked(published, code)
        Phase.objects.filter(job=job, code=code).update(
            status=Phase.Status.DONE,
            crew=row.crew,
            started_at=row.starts_at,
            done_at=row.ends_at,
            share_done=1,
        )

    later = planning.plan_now(now=visit.starts_at + timedelta(hours=2), budget_seconds=0)

    assert booked(later, "HOLE_INSPECTION").ends_at == visit.ends_at
    assert booked(later, "POSTS").starts_at == booked(published, "POSTS").starts_at
