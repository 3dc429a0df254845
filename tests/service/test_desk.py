"""The desk: what is called in by when, what is overdue, and that it is empty when all is done."""

from datetime import date, datetime, time, timedelta
from decimal import Decimal

import pytest
import time_machine
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from inspections.models import Inspection, Permit
from inspections.selectors.desk import desk
from inspections.selectors.permits import permit_states, permits_to_act_on
from inspections.services import visits
from inspections.services.visits import Said
from jobs.models import Booking, Phase
from tests.factories import AuthorityFactory, DayOffFactory
from tests.service.api import ROOT, faults, reader
from tests.service.inspecting import asked, booked, finish, phase, publish, published_job, told
from tests.service.portfolio import MONDAY, ZONE, cover_digging, make_firm, make_job

pytestmark = pytest.mark.django_db

NOON = MONDAY + timedelta(hours=6)


def states(now=NOON):
    return {row.phase.code: row.state for row in desk(now=now).rows()}


@pytest.fixture
def job(db):
    """A job planned on Monday; its authority takes requests once the work has started."""
    return published_job(number="26-001")


def test_what_is_due_today_says_by_when_how_and_what(job):
    finish(job, "LAYOUT", "DIG", at=NOON)

    (row,) = desk(now=NOON).to_ask

    visit = booked(job, "HOLE_INSPECTION")
    assert row.phase.code == "HOLE_INSPECTION"
    assert row.ask_by == datetime(2026, 6, 1, 16, 0, tzinfo=ZONE)
    assert row.visit_from == visit.starts_at
    assert row.say.startswith(f"permit {job.permit.number}; {job.site_address}")
    assert "hole inspection" in row.say
    assert "asked by 4:00 PM, 1 working day of notice" in row.rule
    assert not row.warning


def test_following_the_desk_empties_it(job):
    finish(job, "LAYOUT", "DIG", at=NOON)
    visit = asked(job, "HOLE_INSPECTION", now=NOON)

    assert states()["HOLE_INSPECTION"] == "BOOKED"
    visits.confirm(
        inspection_id=visit.pk,
        seen=1,
        visit_from=visit.visit_from,
        visit_until=visit.visit_until,
        said=Said(now=NOON),
    )
    told(visit, "PASSED", now=visit.visit_from + timedelta(hours=1))
    found = desk(now=visit.visit_from + timedelta(hours=1))
    assert not [row for row in found.to_ask + found.overdue + found.booked if row.job == job]
    assert len(found.record) == 3


def test_before_the_work_has_started_it_says_from_when_they_take_the_request(job):
    row = next(row for row in desk(now=MONDAY).rows() if row.phase.code == "HOLE_INSPECTION")

    # Layout and holes are one visit, as the plan counts too: work begins with the layout.
    assert row.ask_from == booked(job, "LAYOUT").starts_at < booked(job, "DIG").starts_at
    assert MONDAY <= row.ask_from <= row.ask_by


def test_layout_over_night_leaves_time_to_ask_for_the_visit_that_is_planned(job):
    Booking.objects.filter(phase=phase(job, "LAYOUT"), is_live=True).update(
        starts_at=MONDAY - timedelta(days=3)
    )

    row = next(row for row in desk(now=MONDAY).rows() if row.phase.code == "HOLE_INSPECTION")

    assert row.ask_from == MONDAY - timedelta(days=3)
    assert "not ready" not in row.warning


def test_a_missed_cut_off_is_said(job):
    finish(job, "LAYOUT", "DIG", at=NOON)

    (row,) = desk(now=MONDAY.replace(hour=16, minute=1)).to_ask

    assert "cut-off for Tue Jun 2" in row.warning
    # Asked after the cut-off of Monday, they count Tuesday and come on Wednesday.
    assert row.visit_from.astimezone(ZONE).date() == date(2026, 6, 3)
    assert row.ask_by > MONDAY.replace(hour=16, minute=1)
    assert "Wed Jun 3" in row.say


def test_a_visit_that_failed_is_asked_for_again_in_a_window_to_come(job):
    finish(job, "LAYOUT", "DIG", at=NOON)
    visit = asked(job, "HOLE_INSPECTION", now=NOON)
    told(visit, "FAILED", now=visit.visit_until)

    (row,) = desk(now=visit.visit_until).to_ask

    assert visit.visit_until < row.ask_by <= row.visit_from < row.visit_until
    assert "failed" in row.last


def test_work_that_is_not_ready_by_the_cut_off_is_said(job):
    authority = job.permit.authority
    authority.asked_when = "READY"
    authority.save()
    Booking.objects.filter(phase=phase(job, "DIG"), is_live=True).update(
        ends_at=MONDAY.replace(hour=17)
    )

    row = next(row for row in desk(now=NOON).rows() if row.phase.code == "HOLE_INSPECTION")

    assert "not ready by the cut-off" in row.warning


def test_asked_and_not_answered_is_overdue_once_the_cut_off_has_passed(job):
    finish(job, "LAYOUT", "DIG", at=NOON)
    asked(job, "HOLE_INSPECTION", now=NOON)

    (row,) = desk(now=MONDAY.replace(hour=16, minute=1)).overdue

    assert "not answered" in row.warning


def test_a_window_that_passed_without_a_result_is_overdue(job):
    finish(job, "LAYOUT", "DIG", at=NOON)
    visit = asked(job, "HOLE_INSPECTION", now=NOON)

    (row,) = desk(now=visit.visit_until).overdue

    assert "without a result" in row.warning


def test_a_visit_that_the_plan_does_not_count_on_is_said(job):
    finish(job, "LAYOUT", "DIG", at=NOON)
    visit = asked(job, "HOLE_INSPECTION", now=NOON)
    Inspection.objects.filter(pk=visit.pk).update(
        visit_from=visit.visit_from + timedelta(days=2),
        visit_until=visit.visit_until + timedelta(days=2),
    )

    (row,) = desk(now=NOON).booked

    assert row.warning.startswith("the plan counts on Tue Jun 2")


def test_the_day_before_a_long_weekend_lists_all_that_falls_due_before_the_office_is_back(job):
    """Asked on a Friday for what is due on a Monday on which only our own firm is off."""
    DayOffFactory(first_day=date(2026, 6, 8), reason="Yard day")
    row = next(r for r in desk(now=NOON).rows() if r.phase.code == "HOLE_INSPECTION")
    Booking.objects.filter(phase=row.phase, is_live=True).update(
        starts_at=datetime(2026, 6, 9, 8, tzinfo=ZONE),
        ends_at=datetime(2026, 6, 9, 12, tzinfo=ZONE),
    )

    on_friday = desk(now=datetime(2026, 6, 5, 8, tzinfo=ZONE)).to_ask
    on_thursday = desk(now=datetime(2026, 6, 4, 8, tzinfo=ZONE))

    assert "HOLE_INSPECTION" in {row.phase.code for row in on_friday}
    assert "HOLE_INSPECTION" in {row.phase.code for row in on_thursday.coming}


def test_a_failure_shows_its_note_and_the_fee(job):
    authority = job.permit.authority
    authority.reinspection_fee_usd, authority.fee_is_prepaid = Decimal(100), True
    authority.save()
    finish(job, "LAYOUT", "DIG", at=NOON)
    visit = asked(job, "HOLE_INSPECTION", now=NOON)
    told(visit, "FAILED", now=visit.visit_until, note="too shallow")
    publish(visit.visit_until)

    row = next(r for r in desk(now=visit.visit_until).rows() if r.phase.code == "HOLE_INSPECTION")

    assert row.fee == "re-inspection fee $100.00, to be paid before they come"
    assert "failed Tue Jun 2: too shallow" in row.last
    assert row.ask_from >= booked(job, "HOLE_REWORK").starts_at


def test_what_was_released_is_shown_with_the_caution(job):
    finish(job, "LAYOUT", "DIG", at=NOON)
    visit = asked(job, "HOLE_INSPECTION", now=NOON)
    told(visit, "PARTIAL", now=visit.visit_until, released="north side")

    row = next(r for r in desk(now=visit.visit_until).rows() if r.phase.code == "HOLE_INSPECTION")

    assert "free: north side. Work only on what was released" in row.last


@pytest.mark.either_database
def test_the_desk_takes_as_many_queries_with_other_jobs_around(job):
    with CaptureQueriesContext(connection) as alone:
        desk(now=NOON)
    for number in range(2, 5):
        cover_digging(make_job(number=f"26-00{number}"))
    publish()

    with CaptureQueriesContext(connection) as among:
        assert len(desk(now=NOON).rows()) >= 4

    assert len(among) <= len(alone)


def test_without_a_plan_the_desk_is_empty():
    make_firm()
    make_job()

    assert desk(now=NOON).rows() == []


class TestPlans:
    """What the planner makes of an authority's own rules."""

    def planned(self, **rules):
        make_firm()
        job = make_job(number="26-001", authority=AuthorityFactory(**rules))
        cover_digging(job)
        publish()
        return booked(job, "DIG"), booked(job, "HOLE_INSPECTION")

    def test_hours_of_notice_hold_the_visit(self):
        """24 hours from the end of the digging, by hand."""
        dig, visit = self.planned(asked_when="READY", notice_working_days=0, notice_hours=24)

        assert visit.starts_at >= dig.ends_at + timedelta(hours=24)
        assert "24 hours of notice" in visit.because

    def test_a_repeated_closure_holds_the_visit(self):
        authority = AuthorityFactory()
        authority.closures.create(
            first_day=date(2026, 5, 5),
            last_day=date(2026, 5, 5),
            repeats="FREQ=WEEKLY;BYDAY=TU,WE",
            reason="Field days elsewhere",
        )
        make_firm()
        job = make_job(number="26-001", authority=authority)
        cover_digging(job)
        publish()

        assert booked(job, "HOLE_INSPECTION").starts_at.astimezone(ZONE).weekday() not in (1, 2)

    def test_without_wishes_the_plan_keeps_the_whole_day(self):
        _, visit = self.planned(takes_wishes=False)

        local = (visit.starts_at.astimezone(ZONE), visit.ends_at.astimezone(ZONE))
        assert [moment.time() for moment in local] == [time(8), time(16)]

    def test_no_day_has_more_visits_than_the_authority_makes(self):
        make_firm(crews=4)
        authority = AuthorityFactory(visits_per_day=1)
        for number in range(1, 5):
            cover_digging(make_job(number=f"26-00{number}", authority=authority))
        publish()

        rows = Booking.objects.filter(is_live=True, phase__code__endswith="INSPECTION")
        days = [row.starts_at.astimezone(ZONE).date() for row in rows]
        assert len(days) == len(set(days)) > 4

    def test_a_rule_leaves_small_buildings_and_other_uses_without_the_inspection(self):
        make_firm()
        authority = AuthorityFactory()
        authority.inspection_rules.create(inspection="HOLE_INSPECTION", minimum_area_sf=1500)
        authority.inspection_rules.create(inspection="FRAME_INSPECTION", uses="HOUSE_SHELL")
        small = make_job(number="26-001", authority=authority)
        large = make_job(number="26-002", authority=authority, width_ft=40, length_ft=60)

        def codes(job):
            live = Phase.objects.filter(job=job).exclude(status="DROPPED")
            return set(live.values_list("code", flat=True))

        assert "HOLE_INSPECTION" not in codes(small)
        assert "HOLE_INSPECTION" in codes(large)
        assert "FRAME_INSPECTION" not in codes(large)
        assert "FINAL_INSPECTION" in codes(small)

    def test_a_rule_says_which_phase_a_frame_inspection_holds(self):
        authority = AuthorityFactory()
        authority.inspection_rules.create(inspection="FRAME_INSPECTION", holds="ROOF")
        make_firm()
        job = make_job(number="26-001", authority=authority)
        cover_digging(job)
        publish()

        assert booked(job, "FRAME_INSPECTION").ends_at <= booked(job, "ROOF").starts_at


class TestPermits:
    """Permits: what must be done, and the lapse."""

    def state(self, now=MONDAY, **columns):
        make_firm()
        job = make_job(number="26-001")
        Permit.objects.filter(job=job).update(**columns)
        return job, permit_states(now=now, job=job)[0]

    def test_it_lapses_180_days_from_its_issue_and_warns_ahead(self):
        """IRC R105.5 (from memory)."""
        _, state = self.state(applied_on=date(2025, 12, 1), issued_on=date(2025, 12, 20))

        assert state.lapses_on == date(2026, 6, 18)
        assert state.is_urgent
        assert "180 days from its issue" in state.words
        assert permits_to_act_on(now=MONDAY) == [state]

    def test_a_passed_inspection_begins_the_count_anew(self):
        job, _ = self.state(issued_on=date(2025, 12, 20), applied_on=None)
        finish(job, "LAYOUT", "DIG", "HOLE_INSPECTION", at=MONDAY - timedelta(days=1))

        (state,) = permit_states(now=MONDAY, job=job)

        assert state.lapses_on == date(2026, 11, 27)
        assert not state.is_urgent

    def test_a_lapsed_one_says_to_ask(self):
        _, state = self.state(issued_on=date(2025, 1, 2), applied_on=None)

        assert state.words.startswith("lapsed Jul 1, 2025")

    @pytest.mark.parametrize(
        ("columns", "words"),
        [
            ({"drawings_received_on": None}, "not applied for; the sealed drawings are not here"),
            (
                {"drawings_received_on": date(2026, 5, 4)},
                "not applied for; drawings here since May 4, 2026",
            ),
            (
                {"applied_on": date(2026, 5, 5), "expected_on": date(2026, 5, 20)},
                "applied for May 5, 2026; was expected May 20, 2026: ask",
            ),
        ],
    )
    def test_what_is_not_issued_says_what_to_do(self, columns, words):
        _, state = self.state(**{"applied_on": None, "issued_on": None, **columns})

        assert (state.words, state.is_urgent) == (words, True)


class TestPage:
    """The desk's page: one click per outcome, for those who may."""

    address = "/admin/inspections/inspection/desk/"

    @pytest.fixture
    def at_noon(self):
        with time_machine.travel(NOON, tick=False):
            yield

    def test_the_office_asks_records_and_takes_back_by_one_click_each(self, job, office, at_noon):
        finish(job, "LAYOUT", "DIG", at=NOON - timedelta(hours=1))
        client = Client()
        client.force_login(office)
        page = client.get(self.address).content.decode()
        assert "Call in today (1)" in page
        assert job.site_address in page
        holes = phase(job, "HOLE_INSPECTION")

        client.post(
            reverse("admin:inspections_inspection_ask", args=[holes.pk]),
            {"visit_on": "2026-06-02", "window": "08:00-12:00"},
        )
        visit = Inspection.objects.get()
        record = reverse("admin:inspections_inspection_record", args=[visit.pk])
        answer = client.post(
            record, {"seen": "1", "outcome": "FAILED", "note": "mud"}, follow=True
        ).content.decode()
        assert "Hole inspection of job 26-001: failed." in answer
        assert "shows what this moves" in answer
        client.post(record, {"seen": "1", "outcome": "FAILED", "note": "mud"})
        assert visit.events.count() == 2
        last = visit.events.latest("number")
        client.post(reverse("admin:inspections_inspection_undo", args=[last.pk]))
        visit.refresh_from_db()
        assert visit.status == "REQUESTED"

    def test_an_outcome_keeps_the_moment_that_is_entered(self, job, office, at_noon):
        finish(job, "LAYOUT", "DIG", at=NOON - timedelta(hours=3))
        visit = asked(job, "HOLE_INSPECTION", now=NOON - timedelta(hours=2))
        client = Client()
        client.force_login(office)

        client.post(
            reverse("admin:inspections_inspection_record", args=[visit.pk]),
            {"seen": "1", "outcome": "PASSED", "happened_at": "2026-06-01T11:15"},
        )

        visit.refresh_from_db()
        assert visit.decided_at == datetime(2026, 6, 1, 11, 15, tzinfo=ZONE)
        assert phase(job, "HOLE_INSPECTION").done_at == visit.decided_at

    def test_a_visit_added_by_hand_begins_its_record_and_only_the_desk_changes_it(
        self, job, office, at_noon
    ):
        holes = phase(job, "HOLE_INSPECTION")
        client = Client()
        client.force_login(office)
        asked_at = {"requested_at_0": "2026-06-01", "requested_at_1": "10:00:00"}

        client.post(
            reverse("admin:inspections_inspection_add"),
            {"phase": holes.pk, **asked_at, "note": "by phone", "status": "PASSED"},
        )
        visit = Inspection.objects.get()
        client.post(
            reverse("admin:inspections_inspection_change", args=[visit.pk]),
            {"phase": holes.pk, **asked_at, "note": "changed", "status": "PASSED"},
        )

        visit.refresh_from_db()
        assert (visit.status, visit.note) == ("REQUESTED", "by phone")
        event = visit.events.get()
        assert (event.by, event.to_status) == (office, "REQUESTED")

    @pytest.mark.either_database
    @pytest.mark.parametrize(
        ("told", "says"),
        [
            ({"outcome": "PARTIAL"}, "Say which holes or bays are free"),
            ({"outcome": "GONE"}, "Choose one of the outcomes"),
            ({"outcome": "PASSED", "happened_at": "2026-06-01T14:00"}, "is still to come"),
            ({"outcome": "PASSED", "happened_at": "noon"}, "write it like 2026-06-01 14:30"),
            ({"outcome": "PARTIAL", "released": "x", "released_percent": "100"}, "99 or less"),
        ],
    )
    def test_what_cannot_be_recorded_is_told(self, job, office, at_noon, told, says):
        finish(job, "LAYOUT", "DIG", at=NOON - timedelta(hours=1))
        visit = asked(job, "HOLE_INSPECTION", now=NOON)
        client = Client()
        client.force_login(office)

        record = reverse("admin:inspections_inspection_record", args=[visit.pk])
        page = client.post(record, {"seen": "1", **told}, follow=True).content.decode()

        assert says in page
        assert visit.events.count() == 1

    def test_the_owner_looks_and_changes_nothing(self, job, owner, at_noon):
        client = Client()
        client.force_login(owner)
        holes = phase(job, "HOLE_INSPECTION")

        assert '<button class="button"' not in client.get(self.address).content.decode()
        refused = client.post(
            reverse("admin:inspections_inspection_ask", args=[holes.pk]),
            {"visit_on": "2026-06-02", "window": "08:00-12:00"},
        )
        assert refused.status_code == 403
        assert not Inspection.objects.exists()

    def test_a_stranger_does_not_come_in(self, stranger):
        client = Client()
        client.force_login(stranger)

        assert client.get(self.address).status_code == 302

    def test_the_index_links_to_the_desk(self, office):
        client = Client()
        client.force_login(office)

        assert self.address in client.get("/admin/").content.decode()


def test_the_api_shows_the_desk_and_narrows_it_by_state(job, owner):
    finish(job, "LAYOUT", "DIG", at=NOON - timedelta(hours=1))
    with time_machine.travel(NOON, tick=False):
        client = reader(owner)
        every = client.get(f"{ROOT}inspections/").json()["results"]
        (due,) = client.get(f"{ROOT}inspections/?state=TO_ASK").json()["results"]
        wrong = client.get(f"{ROOT}inspections/?state=GONE")

    assert [row["inspection"] for row in every if row["state"] == "TO_ASK"] == ["HOLE_INSPECTION"]
    assert due["job"] == "26-001"
    assert due["ask_by"] == "2026-06-01T16:00:00-04:00"
    assert "state" in faults(wrong)
