"""After a small change: a draft at once, and a better one from the worker, if there is any."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.contrib.auth.models import AbstractUser
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from pytest_django import DjangoCaptureOnCommitCallbacks

from jobs import tasks
from jobs.models import Booking, Delivery, Phase, Plan, PlanRequest
from jobs.services import pinning, plan_making, planning, publishing
from jobs.services.portfolio import state_of
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = pytest.mark.django_db

Status = PlanRequest.Status
REQUESTS = reverse("admin:jobs_planrequest_changelist")


@pytest.fixture
def desk(client: Client, office: AbstractUser) -> Client:
    """The office, signed in."""
    client.force_login(office)
    return client


@pytest.fixture
def published() -> Plan:
    """A published plan of two jobs for two crews."""
    make_firm()
    for number in ("26-001", "26-002"):
        make_job(number=number)
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    return publishing.publish(plan_id=plan.pk, now=MONDAY).plan


def repaired(**given: Any) -> PlanRequest:
    return planning.repair_now(reason="a test", now=MONDAY, budget_seconds=0, **given)


def let_cost_more(base: Plan | None) -> None:
    """Make a draft dearer than it is, so that planning anew must find a better one."""
    assert base is not None
    base.objective["total"] += 1000
    base.save(update_fields=["objective"])


def run(wanted: PlanRequest, **given: Any) -> Plan:
    assert planning.claim(plan_request_id=wanted.pk, now=MONDAY)
    return planning.run_request(plan_request_id=wanted.pk, now=MONDAY, **given)


def page_of(wanted: PlanRequest) -> str:
    return reverse("admin:jobs_planrequest_change", args=[wanted.pk])


def dates(plan: Plan) -> set[tuple[Any, ...]]:
    return set(Booking.objects.filter(plan=plan).values_list("phase", "crew", "starts_at"))


def test_with_nothing_changed_the_repaired_draft_is_the_published_plan(published: Plan) -> None:
    wanted = repaired()

    assert wanted.base is not None
    assert wanted.base.status == Plan.Status.DRAFT
    assert dates(wanted.base) == dates(published)


def test_a_late_delivery_moves_its_own_job_and_leaves_what_it_need_not_move(
    published: Plan,
) -> None:
    Delivery.objects.filter(job__number="26-001", item="TRUSSES").update(
        arrived_on=None, promised_on=date(2026, 7, 8)
    )

    base = repaired().base

    assert base is not None
    moved = Booking.objects.filter(plan=base, because__contains="Trusses promised").get()
    assert moved.phase.job.number == "26-001"
    kept = Booking.objects.filter(plan=base, phase__job__number="26-001", phase__code="DIG").get()
    told = Booking.objects.get(plan=published, phase=kept.phase)
    assert kept.starts_at == told.starts_at


def test_a_better_plan_of_the_same_work_takes_the_drafts_place(published: Plan) -> None:
    wanted = repaired()
    let_cost_more(wanted.base)

    better = run(wanted)

    wanted.refresh_from_db()
    assert wanted.base is not None
    assert wanted.base.status == Plan.Status.REPLACED
    assert (wanted.status, wanted.plan) == (Status.DONE, better)
    assert better.status == Plan.Status.DRAFT
    assert better.gained == pytest.approx(
        wanted.base.objective["total"] - better.objective["total"]
    )
    assert better.state == wanted.base.state


def test_a_plan_that_is_no_better_leaves_the_draft(published: Plan) -> None:
    wanted = repaired()

    assert run(wanted) == wanted.base

    wanted.refresh_from_db()
    assert (wanted.status, wanted.plan) == (Status.DONE, wanted.base)
    assert Plan.objects.filter(status=Plan.Status.DRAFT).get() == wanted.base


def test_where_the_work_has_changed_since_a_new_draft_is_made_of_it(published: Plan) -> None:
    wanted = repaired()
    make_job(number="26-003")

    fresh = run(wanted)

    assert fresh != wanted.base
    assert fresh.gained is None
    assert Booking.objects.filter(plan=fresh, phase__job__number="26-003").exists()


def test_a_draft_that_has_been_replaced_is_not_improved_any_more(published: Plan) -> None:
    first = repaired()
    second = repaired()
    let_cost_more(first.base)

    run(first)

    assert Plan.objects.filter(status=Plan.Status.DRAFT).get() == second.base


def test_a_draft_made_while_another_was_being_planned_stays(
    published: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = []
    check = plan_making.check

    def meanwhile(*given: Any) -> Any:
        monkeypatch.setattr(plan_making, "check", check)
        made.append(repaired().base)
        return check(*given)

    wanted = planning.request_plan(reason="a test", now=MONDAY, budget_seconds=0)
    monkeypatch.setattr(plan_making, "check", meanwhile)

    assert run(wanted) == made[0]
    assert Plan.objects.filter(status=Plan.Status.DRAFT).get() == made[0]


def test_a_message_that_comes_twice_improves_once(published: Plan) -> None:
    wanted = repaired()
    let_cost_more(wanted.base)

    for _ in range(2):
        tasks.make_plan(plan_request_id=wanted.pk)

    assert Plan.objects.filter(gained__isnull=False).count() == 1


def test_a_request_that_waits_is_cancelled_at_once(published: Plan) -> None:
    wanted = repaired()

    assert planning.cancel(plan_request_id=wanted.pk, now=MONDAY)
    tasks.make_plan(plan_request_id=wanted.pk)

    wanted.refresh_from_db()
    assert (wanted.status, wanted.plan) == (Status.CANCELLED, None)
    assert not planning.cancel(plan_request_id=wanted.pk, now=MONDAY)


def test_planning_that_is_cancelled_stops_early_and_stores_nothing(
    published: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    wanted = planning.request_plan(reason="a test", now=timezone.now(), budget_seconds=0)
    plan, asked = plan_making.planner.plan, []

    def cancelled_meanwhile(problem: Any, *, stop: Any, **given: Any) -> Any:
        planning.cancel(plan_request_id=wanted.pk, now=timezone.now())
        asked.append(stop(1, 1.0))
        return plan(problem, stop=None)

    PlanRequest.objects.filter(pk=wanted.pk).update(budget_seconds=200)
    monkeypatch.setattr(plan_making.planner, "plan", cancelled_meanwhile)
    tasks.make_plan(plan_request_id=wanted.pk)

    wanted.refresh_from_db()
    assert asked == [True]
    assert (wanted.status, wanted.plan) == (Status.CANCELLED, None)
    assert list(Plan.objects.all()) == [published]


def test_the_sweep_ends_a_cancelled_request_whose_worker_died(published: Plan) -> None:
    wanted = repaired()
    planning.claim(plan_request_id=wanted.pk, now=MONDAY)
    planning.cancel(plan_request_id=wanted.pk, now=MONDAY)

    later = MONDAY + planning.STALE_AFTER + timedelta(seconds=1)
    assert planning.free_stale_requests(now=later) == []

    wanted.refresh_from_db()
    assert wanted.status == Status.CANCELLED


def test_a_repair_that_fails_to_store_leaves_neither_draft_nor_request(
    published: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(**given: Any) -> None:
        raise RuntimeError("killed while writing")

    monkeypatch.setattr(planning, "request_plan", broken)
    with pytest.raises(RuntimeError):
        repaired()

    assert list(Plan.objects.all()) == [published]


def test_the_state_of_the_work_changes_with_the_work_only(published: Plan) -> None:
    def state() -> str:
        return state_of(planning.repair(now=MONDAY).portfolio.problem)

    before = state()
    assert state() == before
    Phase.objects.filter(job__number="26-001", code="DIG").update(office_hours=99)
    assert state() != before


def test_repairing_takes_as_many_reads_for_five_jobs_as_for_two(published: Plan) -> None:
    def reads() -> int:
        with CaptureQueriesContext(connection) as captured:
            planning.repair(now=MONDAY)
        return len(captured)

    two = reads()
    for number in (3, 4, 5):
        make_job(number=f"26-00{number}")

    assert reads() == two


def test_a_pin_makes_its_draft_at_once(published: Plan) -> None:
    booking = Booking.objects.filter(plan=published, phase__code="PUNCH").latest("starts_at")
    start = booking.starts_at + timedelta(days=7)

    wanted = pinning.pin(
        phase_id=booking.phase_id, crew_id=booking.crew_id, starts_at=start, now=MONDAY
    )

    pinned = Booking.objects.get(plan=wanted.base, phase=booking.phase)
    assert (pinned.starts_at, pinned.crew_id, pinned.is_pinned) == (start, booking.crew_id, True)


def test_what_the_office_reports_is_a_draft_at_once(
    desk: Client, django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks
) -> None:
    make_firm()
    make_job()
    planning.plan_now(now=timezone.now(), budget_seconds=0)
    layout = Phase.objects.get(code="LAYOUT")
    data = {
        "status": "DONE",
        "share_done": "1",
        "started_at_0": "2026-06-01",
        "started_at_1": "07:00",
        "done_at_0": "2026-06-01",
        "done_at_1": "09:30",
    }

    with django_capture_on_commit_callbacks(execute=True):
        desk.post(reverse("admin:jobs_phase_change", args=[layout.pk]), data)

    (wanted,) = PlanRequest.objects.all()
    assert wanted.reason == f"Layout of {layout.job.number} is done"
    assert not Booking.objects.filter(plan=wanted.base, phase=layout).exists()


@pytest.mark.django_db(transaction=True)
def test_a_report_is_kept_where_no_draft_can_be_made(
    desk: Client, published: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    def too_far(**given: Any) -> None:
        raise planning.TooFarAheadError("The open work reaches too far.")

    monkeypatch.setattr(planning, "repair_now", too_far)
    layout = Phase.objects.filter(code="LAYOUT").earliest("pk")
    data = {"status": "OPEN", "share_done": "0", "office_hours": "9"}

    desk.post(reverse("admin:jobs_phase_change", args=[layout.pk]), data)

    layout.refresh_from_db()
    assert layout.office_hours == 9
    assert "The open work reaches too far." in desk.get(REQUESTS).content.decode()


def test_the_page_of_a_request_shows_the_draft_so_far_and_cancels(
    desk: Client, published: Plan
) -> None:
    wanted = repaired()
    assert wanted.base is not None

    page = desk.get(page_of(wanted)).content.decode()
    assert f">{wanted.base}</a>" in page
    assert f"cost {wanted.base.objective['total']:,.1f}, best so far" in page
    page = desk.post(
        reverse("admin:jobs_planrequest_cancel", args=[wanted.pk]), follow=True
    ).content.decode()

    assert "Cancelled. The draft stays as it is." in page
    assert ">Cancel</button>" not in page


def test_the_page_of_a_request_shows_what_was_gained_by_part(desk: Client, published: Plan) -> None:
    wanted = repaired()
    let_cost_more(wanted.base)
    run(wanted)
    wanted.refresh_from_db()
    assert wanted.base is not None
    assert wanted.plan is not None

    page = desk.get(page_of(wanted)).content.decode()

    before, after = (round(plan.objective["total"], 1) for plan in (wanted.base, wanted.plan))
    assert f"Total cost: {before} → {after}" in page


def test_cancelled_requests_can_be_tried_again(desk: Client, published: Plan) -> None:
    wanted = repaired()
    marked = {"_selected_action": [wanted.pk]}

    desk.post(REQUESTS, {"action": "cancel_these", **marked})
    desk.post(REQUESTS, {"action": "try_again", **marked})

    wanted.refresh_from_db()
    assert (wanted.status, wanted.cancel_asked_at) == (Status.QUEUED, None)


@pytest.mark.parametrize("who", ["owner", "stranger"])
def test_only_the_office_cancels(
    client: Client, published: Plan, who: str, request: pytest.FixtureRequest
) -> None:
    client.force_login(request.getfixturevalue(who))
    wanted = repaired()

    response = client.post(reverse("admin:jobs_planrequest_cancel", args=[wanted.pk]))

    wanted.refresh_from_db()
    assert response.status_code in (302, 403)
    assert wanted.status == Status.QUEUED
