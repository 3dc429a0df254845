"""What tests of the API share: a reader with a token, and a published plan booked by hand."""

from datetime import datetime, timedelta
from typing import Any

from django.utils import timezone
from rest_framework.test import APIClient

from crews.models import Crew
from jobs.models import Booking, Job, Plan
from jobs.services.api_tokens import make_token
from tests.service.portfolio import MONDAY

ROOT = "/api/v1/"


def reader(user: Any) -> APIClient:
    """Return a client that signs in with the user's token, of which a use is written down."""
    token, key = make_token(user=user, name="tests", now=timezone.now())
    # Its first use is a write, which a count of queries would see in the first answer only.
    token.last_used_at = timezone.now()
    token.save(update_fields=["last_used_at"])
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Token {key}")
    return client


def make_plan(status: str = Plan.Status.PUBLISHED, **columns: Any) -> Plan:
    """Return a plan without bookings."""
    given = {"as_of": MONDAY, "made_at": MONDAY, "source": "by hand", "seconds": 0.1, **columns}
    if status == Plan.Status.PUBLISHED:
        given.setdefault("published_at", MONDAY)
    return Plan.objects.create(status=status, **given)


def book(plan: Plan, job: Job, code: str, *, start: datetime, hours: float, crew: Crew) -> Booking:
    """Return a booking of one phase that runs without a pause."""
    return Booking.objects.create(
        plan=plan,
        phase=job.phases.get(code=code),
        crew=crew,
        starts_at=start,
        ends_at=start + timedelta(hours=hours),
        work_hours=hours,
        because="Nothing starts in the past",
        because_kind="NOW",
    )


def book_all(plan: Plan, job: Job, crew: Crew, *, start: datetime) -> None:
    """Book every phase of a job for two hours, one calendar day after another."""
    for number, phase in enumerate(job.phases.order_by("sequence")):
        book(plan, job, phase.code, start=start + timedelta(days=number), hours=2, crew=crew)


def morning(days: int = 0) -> datetime:
    """Return nine o'clock so many days after MONDAY."""
    return MONDAY.replace(hour=9) + timedelta(days=days)


def faults(response: Any) -> dict[str, dict[str, Any]]:
    """Return the errors of a refused request by field, after checking that it was refused."""
    assert response.status_code == 400, response.content
    return {error["field"]: error for error in response.json()["errors"]}
