"""Old drafts go, and nothing that is a record of what was told or decided."""

from datetime import timedelta

import pytest

from jobs import tasks
from jobs.models import Booking, Forecast, Plan, ReplanProposal
from jobs.services import planning, publishing
from jobs.services.old_drafts import MOST_AT_ONCE, forget_old_drafts
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = pytest.mark.django_db

LATER = MONDAY + timedelta(days=30)


def draft(*, days_ago: float = 20, **given: object) -> Plan:
    at = LATER - timedelta(days=days_ago)
    row = {"status": "DRAFT", "as_of": at, "made_at": at, "source": "greedy", "seconds": 1}
    return Plan.objects.create(**{**row, **given})


def test_an_old_draft_goes_with_its_bookings_and_what_was_published_stays() -> None:
    make_firm(crews=1)
    make_job(number="26-001")
    told = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=told.pk, now=MONDAY)
    old = planning.plan_now(now=MONDAY + timedelta(days=1), budget_seconds=0)
    newest = planning.plan_now(now=MONDAY + timedelta(days=2), budget_seconds=0)
    Plan.objects.update(made_at=MONDAY)
    assert old.bookings.exists()
    told_bookings = told.bookings.count()

    assert forget_old_drafts(now=LATER) == 1

    assert set(Plan.objects.values_list("pk", flat=True)) == {told.pk, newest.pk}
    assert Booking.objects.count() == told_bookings + newest.bookings.count()


def test_the_newest_draft_stays_however_old() -> None:
    only = draft()

    assert forget_old_drafts(now=LATER) == 0
    assert Plan.objects.get() == only


def test_old_drafts_go_also_where_none_waits() -> None:
    draft(status="REPLACED")
    told = draft(status="PUBLISHED", published_at=MONDAY)

    assert forget_old_drafts(now=LATER) == 1
    assert Plan.objects.get() == told


def test_a_draft_of_a_long_weekend_stays() -> None:
    draft(days_ago=3.5)
    draft(days_ago=1)

    assert forget_old_drafts(now=LATER) == 0


def test_what_a_proposal_shows_or_a_forecast_is_of_stays() -> None:
    shown, forecast = draft(), draft()
    ReplanProposal.objects.create(plan=shown, made_at=MONDAY, reason="rain", state="OPEN")
    Forecast.objects.create(plan=forecast, as_of=MONDAY, draws=1)
    replaced = draft(status="REPLACED", published_at=MONDAY)
    draft(days_ago=1)

    assert forget_old_drafts(now=LATER) == 0
    assert {shown, forecast, replaced} < set(Plan.objects.all())


def test_many_go_some_at_a_time_the_oldest_first(monkeypatch: pytest.MonkeyPatch) -> None:
    for days in range(MOST_AT_ONCE + 2):
        draft(days_ago=20 + days)
    newest = draft(days_ago=1)
    monkeypatch.setattr(tasks, "database_now", lambda: LATER)

    tasks.forget_old_drafts()

    left = Plan.objects.exclude(pk=newest.pk)
    assert left.count() == 2
    assert all(row.made_at >= LATER - timedelta(days=21) for row in left)
    tasks.forget_old_drafts()
    assert Plan.objects.get() == newest
