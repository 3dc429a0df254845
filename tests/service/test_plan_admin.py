"""The plan pages: asking, following, comparing, publishing, pinning."""

from datetime import UTC, datetime, timedelta

import pytest
from django.contrib.auth.models import AbstractUser
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from jobs.models import Booking, Job, Phase, Plan, PlanRequest
from jobs.services import planning, publishing
from tests import factories
from tests.service.portfolio import make_firm, make_job

LIST = reverse("admin:jobs_plan_changelist")
ASK = reverse("admin:jobs_plan_ask")


@pytest.fixture
def desk(client: Client, office: AbstractUser) -> Client:
    """The office, signed in."""
    client.force_login(office)
    return client


@pytest.fixture
def draft(db: None) -> Plan:
    """A draft of one job for two crews."""
    make_firm()
    make_job(number="26-001")
    return planning.plan_now(now=timezone.now(), budget_seconds=0)


def page_of(plan: Plan) -> str:
    return reverse("admin:jobs_plan_change", args=[plan.pk])


def publish_page(plan: Plan) -> str:
    return reverse("admin:jobs_plan_publish", args=[plan.pk])


def queries(desk: Client, address: str) -> int:
    with CaptureQueriesContext(connection) as captured:
        assert desk.get(address).status_code == 200
    return len(captured)


def test_asking_queues_a_request_and_leads_to_its_page(desk: Client) -> None:
    response = desk.post(ASK, follow=True)

    (wanted,) = PlanRequest.objects.all()
    assert wanted.reason == "asked for by office"
    assert response.redirect_chain[-1][0] == reverse(
        "admin:jobs_planrequest_change", args=[wanted.pk]
    )
    assert 'data-unfinished="yes"' in response.content.decode()


def test_following_the_link_by_hand_asks_for_nothing(desk: Client) -> None:
    desk.get(ASK)

    assert not PlanRequest.objects.exists()


def test_report_shows_cost_promises_and_the_next_three_weeks(desk: Client, draft: Plan) -> None:
    page = desk.get(page_of(draft)).content.decode()

    assert "Jobs later than promised" in page
    assert "Look-ahead" in page
    assert Booking.objects.filter(plan=draft).earliest("starts_at").because in page
    assert "Publish this plan" in page


def test_publishing_asks_first_and_then_puts_the_plan_in_force(desk: Client, draft: Plan) -> None:
    desk.get(publish_page(draft))
    assert Plan.objects.get(pk=draft.pk).status == Plan.Status.DRAFT

    response = desk.post(publish_page(draft), follow=True)

    stored = Plan.objects.get(pk=draft.pk)
    assert stored.status == Plan.Status.PUBLISHED
    assert str(stored.published_by) == "office"
    assert f"Plan {draft.pk} is published." in response.content.decode()


def test_publishing_twice_is_a_message_and_no_crash(desk: Client, draft: Plan) -> None:
    desk.post(publish_page(draft))

    response = desk.post(publish_page(draft), follow=True)

    assert response.status_code == 200
    assert "not a draft" in response.content.decode()


def test_draft_that_the_site_has_overtaken_is_not_published(desk: Client, draft: Plan) -> None:
    now = timezone.now()
    Phase.objects.filter(code="LAYOUT").update(
        status=Phase.Status.DONE, started_at=now, done_at=now
    )

    response = desk.post(publish_page(draft), follow=True)

    assert "no longer open" in response.content.decode()
    assert Plan.objects.get(pk=draft.pk).status == Plan.Status.DRAFT


def test_draft_is_compared_with_the_published_plan(desk: Client, draft: Plan) -> None:
    publishing.publish(plan_id=draft.pk, now=timezone.now())
    make_job(number="26-002")
    later = planning.plan_now(now=timezone.now(), budget_seconds=0)
    moved = Booking.objects.filter(plan=later, phase__job__number="26-001").latest("starts_at")
    Booking.objects.filter(pk=moved.pk).update(
        starts_at=moved.starts_at + timedelta(days=7), ends_at=moved.ends_at + timedelta(days=7)
    )

    page = desk.get(page_of(later)).content.decode()

    assert f"Compared with Plan {draft.pk}" in page
    assert f"26-001 {moved.phase.get_code_display()}" in page
    assert "7 days later" in page
    assert "26-002 Layout" in page


def test_job_page_shows_the_draft_beside_the_published_dates(desk: Client, draft: Plan) -> None:
    publishing.publish(plan_id=draft.pk, now=timezone.now())
    planning.plan_now(now=timezone.now(), budget_seconds=0)
    job = Job.objects.get(number="26-001")

    page = desk.get(reverse("admin:jobs_job_change", args=[job.pk])).content.decode()

    assert '<td class="draft when">' in page
    assert f'<a href="{page_of(draft)}">Plan {draft.pk}</a>' in page


def test_phase_without_dates_is_listed_with_its_reason(desk: Client, draft: Plan) -> None:
    draft.unplanned = [
        {"job": "26-001", "phase": "DIG", "label": "Dig", "reason": "No crew digs <holes>."}
    ]
    draft.save()

    page = desk.get(page_of(draft)).content.decode()

    assert "No crew digs &lt;holes&gt;." in page


def test_plan_page_takes_as_many_queries_for_five_jobs_as_for_one(
    desk: Client, draft: Plan
) -> None:
    queries(desk, page_of(draft))
    one = queries(desk, page_of(draft))
    for number in range(2, 6):
        make_job(number=f"26-00{number}")
    five_jobs = planning.plan_now(now=timezone.now(), budget_seconds=0)

    assert queries(desk, page_of(five_jobs)) == one


@pytest.mark.parametrize("address", [LIST, reverse("admin:jobs_planrequest_changelist")])
def test_list_takes_as_many_queries_for_25_rows_as_for_5(
    desk: Client, office: AbstractUser, address: str
) -> None:
    def add(number: int) -> None:
        now = datetime(2026, 6, 1, 12, tzinfo=UTC)
        for _ in range(number):
            plan = Plan.objects.create(as_of=now, made_at=now, source="due date", seconds=1)
            PlanRequest.objects.create(
                reason="test", requested_at=now, requested_by=office, plan=plan, status="DONE"
            )

    add(5)
    queries(desk, address)
    few = queries(desk, address)
    add(20)

    assert queries(desk, address) == few


def test_plans_are_not_typed_or_deleted_by_anyone(admin_client: Client, draft: Plan) -> None:
    delete = reverse("admin:jobs_plan_delete", args=[draft.pk])

    assert admin_client.get(reverse("admin:jobs_plan_add")).status_code == 403
    assert admin_client.post(delete, {"post": "yes"}).status_code == 403


def test_plan_that_is_not_there_is_not_found(desk: Client) -> None:
    assert desk.get(reverse("admin:jobs_plan_change", args=[987])).status_code == 404
    assert desk.post(reverse("admin:jobs_plan_publish", args=[987])).status_code == 404


def test_owner_reads_plans_but_neither_asks_nor_publishes(
    client: Client, owner: AbstractUser, draft: Plan
) -> None:
    client.force_login(owner)

    page = client.get(page_of(draft)).content.decode()

    assert "Publish this plan" not in page
    assert client.post(ASK).status_code == 403
    assert client.post(publish_page(draft)).status_code == 403
    assert Plan.objects.get(pk=draft.pk).status == Plan.Status.DRAFT


def test_stranger_reaches_no_plan_page(client: Client, stranger: AbstractUser, draft: Plan) -> None:
    client.force_login(stranger)

    for address in (LIST, page_of(draft), publish_page(draft), ASK):
        assert client.get(address).status_code == 302


def test_failed_request_shows_its_error_and_is_tried_again(desk: Client) -> None:
    wanted = planning.request_plan(reason="asked for by office", now=timezone.now())
    planning.fail(plan_request_id=wanted.pk, error="No firm is entered.", now=timezone.now())
    address = reverse("admin:jobs_planrequest_changelist")
    assert "No firm is entered." in desk.get(address).content.decode()

    desk.post(address, {"action": "try_again", "_selected_action": [wanted.pk]})

    wanted.refresh_from_db()
    assert (wanted.status, wanted.error) == (PlanRequest.Status.QUEUED, "")


def pin_page(phase: Phase) -> str:
    return reverse("admin:jobs_phase_pin", args=[phase.pk])


def test_pin_that_works_is_kept(desk: Client, draft: Plan) -> None:
    booking = Booking.objects.filter(plan=draft, phase__code="PUNCH").get()
    start = timezone.localtime(booking.starts_at) + timedelta(days=7)

    response = desk.post(
        pin_page(booking.phase),
        {"pin": "Pin", "crew": booking.crew_id, "starts_at": f"{start:%Y-%m-%dT%H:%M}"},
    )

    phase = Phase.objects.get(pk=booking.phase_id)
    assert response.status_code == 302
    assert (phase.pinned_crew_id, phase.pinned_start_at) == (booking.crew_id, start)


def test_pin_that_breaks_a_rule_is_refused_with_the_nearest_start(
    desk: Client, draft: Plan
) -> None:
    phase = Phase.objects.get(code="ROOF")
    tomorrow = timezone.localtime() + timedelta(days=1)

    response = desk.post(pin_page(phase), {"pin": "Pin", "starts_at": f"{tomorrow:%Y-%m-%d}T08:00"})

    page = response.content.decode()
    phase.refresh_from_db()
    assert "This pin cannot be kept" in page
    assert "The nearest start that works is" in page
    assert phase.pinned_start_at is None


def test_pin_is_taken_away(desk: Client, draft: Plan) -> None:
    phase = Phase.objects.get(code="ROOF")
    Phase.objects.filter(pk=phase.pk).update(pinned_start_at=timezone.now())

    desk.post(pin_page(phase), {"unpin": "Take the pin away"})

    phase.refresh_from_db()
    assert phase.pinned_start_at is None


def test_pin_without_a_start_is_told(desk: Client, draft: Plan) -> None:
    response = desk.post(pin_page(Phase.objects.get(code="ROOF")), {"pin": "Pin"})

    assert "This field is required." in response.content.decode()


def test_pin_between_quarter_hours_is_told(desk: Client, draft: Plan) -> None:
    response = desk.post(
        pin_page(Phase.objects.get(code="ROOF")), {"pin": "Pin", "starts_at": "2027-06-01T08:07"}
    )

    assert "08:07 is not on a quarter hour." in response.content.decode()


def test_pin_decades_ahead_is_told_and_not_kept(desk: Client, draft: Plan) -> None:
    phase = Phase.objects.get(code="ROOF")

    response = desk.post(pin_page(phase), {"pin": "Pin", "starts_at": "2099-06-01T08:00"})

    phase.refresh_from_db()
    assert response.status_code == 200
    assert 'class="errorlist' in response.content.decode()
    assert phase.pinned_start_at is None


def test_phase_is_not_done_without_its_moment(desk: Client, draft: Plan) -> None:
    phase = Phase.objects.get(code="LAYOUT")
    data = {"status": "DONE", "share_done": "1", "done_at_0": "", "done_at_1": ""}

    response = desk.post(reverse("admin:jobs_phase_change", args=[phase.pk]), data)

    phase.refresh_from_db()
    assert "A phase has an end exactly when it is done." in response.content.decode()
    assert phase.status == Phase.Status.OPEN


def test_office_says_that_a_phase_is_done(desk: Client, draft: Plan) -> None:
    phase = Phase.objects.get(code="LAYOUT")
    data = {
        "status": "DONE",
        "share_done": "1",
        "started_at_0": "2026-06-01",
        "started_at_1": "07:00",
        "done_at_0": "2026-06-01",
        "done_at_1": "09:30",
    }

    desk.post(reverse("admin:jobs_phase_change", args=[phase.pk]), data)

    phase.refresh_from_db()
    assert phase.status == Phase.Status.DONE


def test_plan_that_books_a_crew_twice_is_a_message(desk: Client, draft: Plan) -> None:
    first, second = Booking.objects.filter(plan=draft, crew__isnull=False).order_by("id")[:2]
    Booking.objects.filter(pk=second.pk).update(
        crew=first.crew, starts_at=first.starts_at, ends_at=first.ends_at
    )

    response = desk.post(publish_page(draft), follow=True)

    assert "Ask for a new plan." in response.content.decode()
    assert Plan.objects.get(pk=draft.pk).status == Plan.Status.DRAFT


def test_own_rate_stands_beside_the_starter_value(desk: Client) -> None:
    desk.post(
        reverse("admin:jobs_laborrate_add"),
        {"code": "set_post", "hours_per_unit": "1.25", "note": "last ten jobs"},
    )

    page = desk.get(reverse("admin:jobs_laborrate_changelist")).content.decode()

    assert "Set, plumb, brace and backfill a post" in page
    assert "1.25" in page


def test_authority_is_listed_with_its_rules_and_open_jobs(desk: Client) -> None:
    factories.PermitFactory(authority=factories.AuthorityFactory(name="Harrow Office"))

    page = desk.get(reverse("admin:inspections_authority_changelist")).content.decode()

    assert "1 working day of notice" in page
    assert 'class="field-open_permits">1<' in page


@pytest.mark.parametrize("model", ["authority", "permit", "locateticket", "inspection"])
def test_inspections_pages_open_for_the_office(desk: Client, model: str) -> None:
    factories.LocateTicketFactory()
    factories.PermitFactory()
    phase = factories.PhaseFactory(code="HOLE_INSPECTION")
    phase.inspections.create(requested_at=timezone.now())

    assert desk.get(reverse(f"admin:inspections_{model}_changelist")).status_code == 200
    assert desk.get(reverse(f"admin:inspections_{model}_add")).status_code == 200
