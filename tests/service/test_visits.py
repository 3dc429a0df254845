"""Visits: each click is one event, no result is lost, and the plan follows each of them."""

from datetime import datetime, timedelta

import pytest

from inspections.models import Inspection, InspectionEvent
from inspections.services import visits
from inspections.services.visit_state import state_of
from inspections.services.visits import Said, VisitRefused
from jobs.models import Booking, Plan
from jobs.services import planning
from tests.service.inspecting import asked, booked, finish, phase, publish, published_job, told
from tests.service.portfolio import MONDAY, ZONE, cover_digging, make_firm, make_job

pytestmark = pytest.mark.django_db

TUESDAY = MONDAY + timedelta(days=1)


def latest_draft() -> Plan:
    return Plan.objects.filter(status="DRAFT").latest("id")


def drafted(job, code) -> Booking:
    return Booking.objects.get(plan=latest_draft(), phase__job=job, phase__code=code)


@pytest.fixture
def job(db):
    """A job whose holes are dug by Monday noon."""
    found = published_job(number="26-001")
    finish(found, "LAYOUT", "DIG", at=MONDAY + timedelta(hours=6))
    return found


@pytest.fixture
def visit(job):
    return asked(job, "HOLE_INSPECTION", now=MONDAY + timedelta(hours=7))


def after(visit, hours=2):
    return visit.visit_from + timedelta(hours=hours)


def test_asking_twice_asks_once(job, visit):
    again = asked(job, "HOLE_INSPECTION", now=MONDAY + timedelta(hours=7, minutes=1))

    assert again == visit
    assert Inspection.objects.count() == InspectionEvent.objects.count() == 1


def test_a_pass_ends_the_inspection_and_a_draft_is_made(job, visit):
    done = told(visit, "PASSED", now=after(visit))

    inspection = phase(job, "HOLE_INSPECTION")
    assert inspection.status == "DONE"
    assert inspection.started_at == visit.visit_from
    assert inspection.done_at == after(visit)
    assert done.wanted is not None
    assert done.wanted.base == latest_draft()


def test_passed_with_corrections_needs_no_other_visit(job, visit):
    told(visit, "PASSED_CORRECTIONS", now=after(visit), note="clean two holes")

    assert phase(job, "HOLE_INSPECTION").status == "DONE"


def test_a_failure_plans_rework_and_another_visit_after_it(job, visit):
    told(visit, "FAILED", now=after(visit), note="four holes too shallow")

    rework, again = drafted(job, "HOLE_REWORK"), drafted(job, "HOLE_INSPECTION")
    assert phase(job, "HOLE_INSPECTION").status == "OPEN"
    assert phase(job, "HOLE_REWORK").labor_hours == 8
    assert rework.crew is not None
    assert after(visit) <= rework.starts_at < rework.ends_at <= again.starts_at
    assert again.ends_at <= drafted(job, "POSTS").starts_at


def test_a_second_failure_opens_the_rework_again(job, visit):
    told(visit, "FAILED", now=after(visit))
    finish(job, "HOLE_REWORK", at=after(visit, 30))
    publish(after(visit, 31))
    second = asked(job, "HOLE_INSPECTION", now=after(visit, 31))
    told(second, "FAILED", now=after(second))

    rework = phase(job, "HOLE_REWORK")
    assert (rework.status, rework.done_at, rework.share_done) == ("OPEN", None, 0)
    assert drafted(job, "HOLE_REWORK").starts_at >= after(second)
    before = InspectionEvent.objects.latest("id").before
    assert before["phases"]["HOLE_REWORK"]["status"] == "DONE"


def test_a_pass_leaves_out_rework_that_nobody_began(job, visit):
    told(visit, "FAILED", now=after(visit))
    publish(after(visit, 3))
    second = asked(job, "HOLE_INSPECTION", now=after(visit, 3))
    told(second, "PASSED", now=after(second))

    assert phase(job, "HOLE_REWORK").status == "DROPPED"
    assert not Booking.objects.filter(plan=latest_draft(), phase__code="HOLE_REWORK").exists()


def test_passed_in_part_lets_the_next_work_begin_and_holds_what_follows_it():
    found = published_job(number="26-001", foundation="POURED_PIER", pad_in=8, collar_in=0)
    finish(found, "LAYOUT", "DIG", at=MONDAY + timedelta(hours=6))
    visit = asked(found, "HOLE_INSPECTION", now=MONDAY + timedelta(hours=7))

    told(visit, "PARTIAL", now=after(visit), released="north side", released_share=0.5)

    pour, rest = drafted(found, "POUR"), drafted(found, "HOLE_INSPECTION")
    assert pour.starts_at < rest.ends_at <= drafted(found, "POSTS").starts_at
    assert "only on what was released" in pour.because or pour.because_kind != "LINK"


@pytest.mark.parametrize(
    "outcome",
    ["NOT_READY", "ABSENT", "CANCELLED_BY_US", "CANCELLED_BY_THEM", "CANCELLED_WEATHER"],
)
def test_a_visit_that_came_to_nothing_needs_a_new_request(job, visit, outcome):
    told(visit, outcome, now=after(visit))

    again = drafted(job, "HOLE_INSPECTION")
    assert again.starts_at > after(visit)
    assert again.ends_at <= drafted(job, "POSTS").starts_at
    waits = latest_draft().waits.filter(before_code="HOLE_INSPECTION")
    assert any(Inspection.Status(outcome).label.lower() in wait.basis for wait in waits)


def test_in_the_middle_of_its_window_an_absent_inspector_is_no_visit_under_way(job, visit):
    told(visit, "ABSENT", now=after(visit, 1))

    assert drafted(job, "HOLE_INSPECTION").starts_at > visit.visit_until


def test_part_passed_without_saying_what_is_free_is_refused(visit):
    with pytest.raises(VisitRefused, match="which holes or bays are free"):
        told(visit, "PARTIAL", now=after(visit))

    visit.refresh_from_db()
    assert visit.status == "REQUESTED"
    assert visit.events.count() == 1


def test_a_double_click_is_one_event(visit, office):
    seen = visit.events.latest("number").number
    said = Said(now=after(visit), by=office)
    first = visits.record(inspection_id=visit.pk, seen=seen, outcome="PASSED", said=said)
    second = visits.record(inspection_id=visit.pk, seen=seen, outcome="PASSED", said=said)

    assert (first.is_new, second.is_new) == (True, False)
    assert second.event == first.event
    assert visit.events.count() == 2


def test_what_somebody_else_entered_meanwhile_is_shown_and_not_overwritten(visit, office):
    seen = visit.events.latest("number").number
    told(visit, "FAILED", now=after(visit), by=office)

    with pytest.raises(VisitRefused, match="Meanwhile somebody entered: failed"):
        visits.record(
            inspection_id=visit.pk, seen=seen, outcome="PASSED", said=Said(now=after(visit))
        )

    visit.refresh_from_db()
    assert visit.status == "FAILED"


def test_an_outcome_to_come_is_refused(visit):
    with pytest.raises(VisitRefused, match="still to come"):
        told(visit, "PASSED", now=after(visit), happened_at=after(visit, 3))


def test_undo_restores_what_was_before_and_both_stay_in_the_record(job, visit):
    before = state_of(visit)
    failed = told(visit, "FAILED", now=after(visit))

    undone = visits.undo(event_id=failed.event.pk, said=Said(now=after(visit, 3)))

    visit.refresh_from_db()
    assert visit.status == "REQUESTED"
    assert state_of(visit)["visit"] == before["visit"]
    assert phase(job, "HOLE_REWORK").status == "DROPPED"
    assert [event.to_status for event in visit.events.order_by("number")] == [
        "REQUESTED",
        "FAILED",
        "REQUESTED",
    ]
    assert undone.event.undoes == failed.event


def test_undo_twice_is_one_event_and_undoing_the_undo_does_it_again(job, visit):
    passed = told(visit, "PASSED", now=after(visit))
    first = visits.undo(event_id=passed.event.pk, said=Said(now=after(visit, 3)))
    second = visits.undo(event_id=passed.event.pk, said=Said(now=after(visit, 3)))

    assert second.event == first.event
    assert not second.is_new
    visits.undo(event_id=first.event.pk, said=Said(now=after(visit, 4)))
    assert phase(job, "HOLE_INSPECTION").status == "DONE"
    assert visit.events.count() == 4


def test_only_the_last_event_can_be_taken_back(visit):
    asked_event = visit.events.get()
    told(visit, "ABSENT", now=after(visit))

    with pytest.raises(VisitRefused, match="Something else was entered since"):
        visits.undo(event_id=asked_event.pk, said=Said(now=after(visit, 3)))


def test_what_has_moved_on_is_not_taken_back(job, visit):
    failed = told(visit, "FAILED", now=after(visit))
    finish(job, "HOLE_REWORK", at=after(visit, 5))

    with pytest.raises(VisitRefused, match="changed again since"):
        visits.undo(event_id=failed.event.pk, said=Said(now=after(visit, 6)))


def test_a_request_entered_by_mistake_is_taken_back(job, visit):
    visits.undo(event_id=visit.events.get().pk, said=Said(now=MONDAY + timedelta(hours=8)))

    visit.refresh_from_db()
    assert visit.status == "TAKEN_BACK"
    assert asked(job, "HOLE_INSPECTION", now=MONDAY + timedelta(hours=9)) != visit


def test_a_visit_confirmed_for_another_day_moves_the_plan(job, visit):
    later = datetime(2026, 6, 5, 8, 0, tzinfo=ZONE)
    visits.confirm(
        inspection_id=visit.pk,
        seen=1,
        visit_from=later,
        visit_until=later + timedelta(hours=4),
        said=Said(now=MONDAY + timedelta(hours=8), said_by="the county's clerk"),
    )

    assert drafted(job, "HOLE_INSPECTION").starts_at == later
    event = visit.events.latest("number")
    assert (event.from_status, event.to_status) == ("REQUESTED", "CONFIRMED")
    assert event.said_by == "the county's clerk"


def test_a_visit_confirmed_as_asked_plans_nothing_anew(visit):
    drafts = Plan.objects.count()

    visits.confirm(
        inspection_id=visit.pk,
        seen=1,
        visit_from=visit.visit_from,
        visit_until=visit.visit_until,
        said=Said(now=MONDAY + timedelta(hours=8)),
    )

    assert Plan.objects.count() == drafts


def test_a_visit_without_a_record_begins_one_with_its_first_event(job):
    old = Inspection.objects.create(
        phase=phase(job, "HOLE_INSPECTION"), requested_at=MONDAY + timedelta(hours=7)
    )

    visits.record(
        inspection_id=old.pk, seen=0, outcome="PASSED", said=Said(now=MONDAY + timedelta(hours=30))
    )

    assert [event.number for event in old.events.order_by("number")] == [1, 2]


def test_a_result_stays_whatever_becomes_of_the_plan(job, visit, monkeypatch):
    def too_far(**given):
        raise planning.TooFarAheadError("The work reaches too far.")

    monkeypatch.setattr(planning, "repair_now", too_far)

    done = told(visit, "PASSED", now=after(visit))

    assert done.wanted is None
    assert "too far" in done.plan_fault
    assert phase(job, "HOLE_INSPECTION").status == "DONE"


def test_without_a_plan_a_result_is_stored_and_nothing_planned():
    make_firm()
    found = make_job()
    cover_digging(found)
    done = visits.ask(
        phase_id=phase(found, "HOLE_INSPECTION").pk,
        visit_from=None,
        visit_until=None,
        said=Said(now=MONDAY),
    )
    told(done.event.inspection, "PASSED", now=TUESDAY)

    assert not Plan.objects.exists()


def test_what_is_no_inspection_cannot_be_asked_for(job):
    with pytest.raises(VisitRefused, match="Set posts is no inspection"):
        visits.ask(
            phase_id=phase(job, "POSTS").pk,
            visit_from=None,
            visit_until=None,
            said=Said(now=MONDAY),
        )


def test_a_passed_inspection_cannot_be_asked_for_again(job, visit):
    told(visit, "PASSED", now=after(visit))

    with pytest.raises(VisitRefused, match="Hole inspection is done"):
        visits.ask(
            phase_id=visit.phase_id, visit_from=None, visit_until=None, said=Said(now=after(visit))
        )


def test_the_same_facts_at_a_later_hour_give_the_same_dates(job, visit):
    told(visit, "FAILED", now=after(visit))
    first = planning.plan_now(now=after(visit, 3), budget_seconds=0)
    second = planning.plan_now(now=after(visit, 3) + timedelta(minutes=20), budget_seconds=0)

    def starts(plan):
        return {row.phase.code: row.starts_at for row in plan.bookings.select_related("phase")}

    assert {k: v for k, v in starts(first).items() if k.endswith("INSPECTION")} == {
        k: v for k, v in starts(second).items() if k.endswith("INSPECTION")
    }
    assert booked(job, "HOLE_INSPECTION")
