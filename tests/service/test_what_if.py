"""What one change would do: the service, its page and its API. Nothing is ever stored."""

import json
import re
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from django.apps import apps
from django.conf import settings
from django.contrib.auth.models import AbstractUser
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from crews.models import Crew
from inspections.models import Authority
from jobs.api.what_if import QUESTIONS
from jobs.models import Booking, Delivery, Plan
from jobs.services import planning, publishing
from jobs.services.what_if import Answer, ask
from jobs.services.what_if_questions import (
    DeliveryOn,
    MorePeople,
    NoDaysOff,
    Question,
    ShorterNotice,
    WhatIfRefused,
    WithoutPromise,
)
from tests.factories import AuthorityFactory, DayOffFactory
from tests.service.api import ROOT, faults, reader
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]


@pytest.fixture
def crew(db: None) -> Crew:
    """The only crew of a firm with a job that is promised too soon."""
    (only,) = make_firm(crews=1)
    job = make_job(number="26-001", promised_on=date(2026, 6, 9))
    cover_digging(job)
    return only


def change_of(answer: Answer, number: str) -> Any:
    """Return what changes for one job."""
    return next(row for row in answer.jobs if row.job.number == number)


def everything() -> dict[str, list[Any]]:
    """Return every row of the service's own tables."""
    models = [
        model
        for label in ("jobs", "crews", "inspections")
        for model in apps.get_app_config(label).get_models()
    ]
    return {str(model): list(model.objects.order_by("pk").values()) for model in models}


def test_one_more_person_saves_crew_days_and_days_late(crew: Crew):
    answer = ask(MorePeople(crew.name), now=MONDAY)

    (days,) = answer.crews
    assert answer.question == f"What if {crew.name} had one more person?"
    assert days.days_after < days.days_before
    assert answer.days_late_after <= answer.days_late_before


def test_a_later_delivery_moves_the_finish(crew: Crew):
    make_job(number="26-002", material_is_there=False)

    answer = ask(DeliveryOn("26-002", "TRUSSES", date(2026, 9, 1)), now=MONDAY)

    row = change_of(answer, "26-002")
    assert row.finish_after_on > row.finish_before_on
    assert row.finish_after_on > date(2026, 9, 1)
    assert {move.job for move in answer.bookings.moved} == {"26-002"}


def test_a_later_delivery_can_lose_a_promise_and_a_sooner_one_keep_it_again(crew: Crew):
    make_job(number="26-002", material_is_there=False, promised_on=date(2026, 8, 31))

    later = ask(DeliveryOn("26-002", "TRUSSES", date(2026, 9, 1)), now=MONDAY)
    assert change_of(later, "26-002").promise == "lost"

    Delivery.objects.filter(job__number="26-002", item="TRUSSES").update(
        promised_on=date(2026, 9, 1)
    )
    sooner = ask(DeliveryOn("26-002", "TRUSSES", date(2026, 6, 2)), now=MONDAY)
    assert change_of(sooner, "26-002").promise == "kept again"


def test_a_dropped_promise_counts_no_days_late(crew: Crew):
    answer = ask(WithoutPromise("26-001"), now=MONDAY)

    row = change_of(answer, "26-001")
    assert row.days_late_before > 0
    assert (row.promised_on, row.days_late_after) == (None, 0)


def test_a_crew_without_days_off_finishes_sooner(crew: Crew):
    DayOffFactory(crew=crew, first_day=date(2026, 6, 2), last_day=date(2026, 6, 12))

    answer = ask(NoDaysOff(crew.name), now=MONDAY)

    row = change_of(answer, "26-001")
    assert row.finish_after_on < row.finish_before_on


def test_a_day_less_notice_brings_the_visits_forward(crew: Crew):
    slow = AuthorityFactory(name="Harrow Township", notice_working_days=9)
    make_job(number="26-002", authority=slow)

    answer = ask(ShorterNotice("Harrow Township"), now=MONDAY)

    row = change_of(answer, "26-002")
    assert row.finish_after_on < row.finish_before_on


def test_what_changes_nothing_moves_nothing(crew: Crew):
    make_job(number="26-002", material_is_there=False)
    awaited = Delivery.objects.get(job__number="26-002", item="TRUSSES")
    awaited.promised_on = date(2026, 6, 20)
    awaited.save()

    answer = ask(DeliveryOn("26-002", "TRUSSES", date(2026, 6, 20)), now=MONDAY)

    assert answer.bookings.moved == ()
    assert all(row.finish_before_on == row.finish_after_on for row in answer.jobs)


def test_the_order_at_hand_is_the_published_plans_unless_another_is_named(crew: Crew):
    first = planning.plan_now(now=MONDAY, budget_seconds=0)
    assert ask(WithoutPromise("26-001"), now=MONDAY).plan is None

    publishing.publish(plan_id=first.pk, now=MONDAY)
    draft = planning.plan_now(now=MONDAY, budget_seconds=0)

    assert ask(WithoutPromise("26-001"), now=MONDAY).plan == first
    assert ask(WithoutPromise("26-001"), now=MONDAY, plan=draft).plan == draft


def test_as_it_is_is_what_the_next_plan_would_be(crew: Crew):
    """Asked beside a fresh plan of the same moment, the finish as it is must be that plan's."""
    make_job(number="26-002")
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)

    answer = ask(MorePeople(crew.name), now=MONDAY, plan=plan)

    latest = Booking.objects.filter(plan=plan, phase__job__number="26-002").latest("ends_at")
    assert change_of(answer, "26-002").finish_before_on <= latest.ends_at.date()


@pytest.mark.parametrize(
    "question",
    [
        lambda crew: MorePeople(crew.name),
        lambda crew: NoDaysOff(crew.name),
        lambda crew: DeliveryOn("26-002", "TRUSSES", date(2026, 9, 1)),
        lambda crew: WithoutPromise("26-001"),
        lambda crew: ShorterNotice("Harrow Township"),
    ],
)
def test_no_question_changes_a_row(question: Any, crew: Crew):
    make_job(
        number="26-002",
        material_is_there=False,
        authority=AuthorityFactory(name="Harrow Township", notice_working_days=3),
    )
    DayOffFactory(crew=crew, first_day=date(2026, 6, 2))
    before = everything()

    ask(question(crew), now=MONDAY)

    assert everything() == before


@pytest.mark.parametrize(
    ("question", "field", "told"),
    [
        (MorePeople("Nobody"), "crew", "Nobody: is no active crew. Choose one of"),
        (NoDaysOff("Crew"), "crew", "has no day off ahead"),
        (DeliveryOn("26-999", "TRUSSES", date(2026, 9, 1)), "job", "26-999: is no job"),
        (DeliveryOn("26-001", "TRUSSES", date(2026, 9, 1)), "item", "TRUSSES: has arrived"),
        (DeliveryOn("26-001", "GOLD", date(2026, 9, 1)), "item", "GOLD: is not on the list"),
        (DeliveryOn("26-001", "TRUSSES", date(2026, 5, 1)), "day", "2026-05-01: is not between"),
        (DeliveryOn("26-001", "TRUSSES", date(2226, 5, 1)), "day", "2226-05-01: is not between"),
        (WithoutPromise("26-000"), "job", "26-000: has no promise"),
        (ShorterNotice("Nowhere"), "authority", "Nowhere: is the authority of no open job"),
        (ShorterNotice("At once"), "authority", "At once: needs no notice"),
    ],
)
def test_a_question_that_makes_no_sense_is_refused_with_its_remedy(
    question: Question, field: str, told: str, crew: Crew
):
    Crew.objects.filter(pk=crew.pk).update(name="Crew")
    make_job(number="26-000", promised_on=None)
    make_job(authority=AuthorityFactory(name="At once", notice_working_days=0))

    with pytest.raises(WhatIfRefused, match=told) as refusal:
        ask(question, now=MONDAY)

    assert refusal.value.fault.field == field
    assert refusal.value.fault.remedy


def test_reading_takes_as_many_queries_for_four_jobs_as_for_one(crew: Crew):
    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            ask(MorePeople(crew.name), now=MONDAY)
        return len(captured)

    one = queries()
    for number in (2, 3, 4):
        make_job(number=f"26-00{number}")

    assert queries() == one


# The API.


def post(user: Any, body: Any) -> Any:
    return reader(user).post(f"{ROOT}what-if/", body, format="json")


@pytest.mark.parametrize("role", ["owner", "office"])
def test_owner_and_office_ask_through_the_api(
    role: str, crew: Crew, request: pytest.FixtureRequest
):
    user = request.getfixturevalue(role)

    body = post(user, {"question": "MORE_PEOPLE", "crew": crew.name}).json()

    answer = ask(MorePeople(crew.name), now=MONDAY)
    assert body["question"] == answer.question
    assert body["old_days_late"] == answer.days_late_before
    assert [row["job"] for row in body["jobs"]] == ["26-001"]
    assert body["crews"][0]["new_crew_days"] == round(answer.crews[0].days_after, 2)
    assert len(body["moved"]) == len(answer.bookings.moved)


@pytest.mark.parametrize("role", ["stranger", "lead"])
def test_no_one_else_asks(role: str, crew: Crew, request: pytest.FixtureRequest):
    user = request.getfixturevalue(role)

    assert post(user, {"question": "MORE_PEOPLE", "crew": crew.name}).status_code == 403


@pytest.mark.parametrize(
    ("body", "field", "remedy"),
    [
        ([], "(body)", "Send an object"),
        ({}, "question", "Enter one of MORE_PEOPLE"),
        ({"question": "WHY"}, "question", "Enter one of MORE_PEOPLE"),
        ({"question": ["MORE_PEOPLE"]}, "question", "Enter one of MORE_PEOPLE"),
        ({"question": "MORE_PEOPLE"}, "crew", "Enter a crew's name"),
        ({"question": "MORE_PEOPLE", "crew": 7}, "crew", "Enter a crew's name"),
        ({"question": "MORE_PEOPLE", "crew": "Nobody"}, "crew", "Choose one of"),
        ({"question": "MORE_PEOPLE", "crew": "A", "day": 1}, "day", "Leave it out"),
        ({"question": "MORE_PEOPLE", "crew": "A", "plan": 77}, "plan", "Enter the id of a plan"),
        ({"question": "MORE_PEOPLE", "crew": "A", "plan": True}, "plan", "Enter the id of a plan"),
        ({"question": "DELIVERY_ON", "job": "26-001", "item": "TRUSSES"}, "day", "Enter year"),
        (
            {"question": "DELIVERY_ON", "job": "26-001", "item": "TRUSSES", "day": "soon"},
            "day",
            "Enter year",
        ),
    ],
)
def test_a_wrong_body_is_refused_by_field(body: Any, field: str, remedy: str, owner: Any):
    make_firm(crews=1)

    found = faults(post(owner, body))

    assert found[field]["remedy"].startswith(remedy)


def test_the_question_of_the_document_is_answered(crew: Crew, owner: Any):
    text = (Path(settings.BASE_DIR) / "docs/api.md").read_text()
    (body,) = re.findall(r"--json '(\{\"question\".*?)'", text, re.DOTALL)
    question = json.loads(body)
    make_job(number=question["job"])

    assert post(owner, question).status_code == 200


def test_the_document_lists_every_question_with_its_fields():
    text = (Path(settings.BASE_DIR) / "docs/api.md").read_text()
    rows = re.findall(r"^\| `([A-Z_]+)` \| (.*?) \| what if", text, re.MULTILINE)

    told = {code: tuple(re.findall(r"`(\w+)`", fields)) for code, fields in rows}

    assert told == {code: tuple(asked.__dataclass_fields__) for code, asked in QUESTIONS.items()}


def test_a_firm_that_is_not_entered_is_told(owner: Any):
    found = faults(post(owner, {"question": "MORE_PEOPLE", "crew": "A"}))

    assert "No firm is entered." in found["question"]["message"]


# The page.


@pytest.fixture
def draft(crew: Crew) -> Plan:
    return planning.plan_now(now=MONDAY, budget_seconds=0)


def page_of(client: Client, plan: Plan, **params: str) -> str:
    response = client.get(reverse("admin:jobs_plan_what_if", args=[plan.pk]), params)
    assert response.status_code == 200
    return response.content.decode()


def test_the_page_asks_and_answers_and_says_that_nothing_is_saved(
    client: Client, office: AbstractUser, draft: Plan, crew: Crew
):
    client.force_login(office)
    assert "A crew has one more person" in page_of(client, draft)

    page = page_of(client, draft, question="MORE_PEOPLE", crew=crew.name)

    assert f"What if {crew.name} had one more person?" in page
    assert "Nothing is saved." in page
    assert "Days of work by crew" in page
    assert Plan.objects.count() == 1


def test_the_page_shows_why_a_booking_is_there_and_suggests_what_to_ask(
    client: Client, office: AbstractUser, draft: Plan, crew: Crew
):
    client.force_login(office)
    booking = Booking.objects.filter(plan=draft, crew=crew).latest("starts_at")

    page = page_of(client, draft, booking=str(booking.pk))

    assert booking.because.rstrip(".") in page
    assert f'<option value="{crew.name}" selected>' in page
    assert '<option value="26-001" selected>' in page


def test_the_page_of_a_job_shows_why_it_ends_then(
    client: Client, office: AbstractUser, draft: Plan
):
    client.force_login(office)
    last = Booking.objects.filter(plan=draft).latest("ends_at")

    page = page_of(client, draft, job_at="26-001")

    assert f"Why {last.phase.get_code_display().lower()} of job 26-001 starts then" in page


@pytest.mark.parametrize(
    ("params", "told"),
    [
        ({"question": "MORE_PEOPLE", "crew": "Nobody"}, "Nobody is not in the list."),
        ({"question": "MORE_PEOPLE"}, "This field is required."),
        ({"question": "WITHOUT_PROMISE", "job": "<b>"}, "&lt;b&gt; is not in the list."),
        ({"question": "DELIVERY_ON", "delivery": "x", "day": "y"}, "Enter a valid date."),
        ({"question": "NO_DAYS_OFF", "crew": "Crew"}, "has no day off ahead"),
    ],
)
def test_the_page_tells_what_cannot_be_asked(
    params: dict[str, str], told: str, client: Client, office: AbstractUser, draft: Plan, crew: Crew
):
    Crew.objects.filter(pk=crew.pk).update(name="Crew")
    client.force_login(office)

    page = page_of(client, draft, **params)

    assert "This question cannot be answered as it stands." in page
    assert told in page


@pytest.mark.parametrize("number", ["0", "x", "9" * 30, "²", "-1"])
def test_a_booking_that_is_not_there_shows_the_questions_alone(
    number: str, client: Client, office: AbstractUser, draft: Plan
):
    client.force_login(office)

    page = page_of(client, draft, booking=number)

    assert 'id="why"' not in page
    assert 'id="ask"' in page


def test_the_owner_asks_on_the_page_and_strangers_do_not(
    client: Client, owner: AbstractUser, stranger: AbstractUser, draft: Plan
):
    client.force_login(owner)
    assert "Nothing is saved." in page_of(client, draft, question="WITHOUT_PROMISE", job="26-001")

    client.force_login(stranger)
    address = reverse("admin:jobs_plan_what_if", args=[draft.pk])
    assert client.get(address).status_code == 302


def test_what_if_of_a_plan_that_is_not_there_is_not_found(client: Client, office: AbstractUser):
    client.force_login(office)

    assert client.get(reverse("admin:jobs_plan_what_if", args=[987])).status_code == 404


def test_the_page_takes_as_many_queries_for_four_jobs_as_for_one(
    client: Client, office: AbstractUser, draft: Plan
):
    client.force_login(office)
    booking = Booking.objects.filter(plan=draft).latest("ends_at")

    def queries(plan: Plan, at: Booking) -> int:
        with CaptureQueriesContext(connection) as captured:
            page_of(client, plan, booking=str(at.pk))
        return len(captured)

    queries(draft, booking)
    one = queries(draft, booking)
    for number in (2, 3, 4):
        make_job(number=f"26-00{number}", authority=Authority.objects.first())
    four = planning.plan_now(now=MONDAY, budget_seconds=0)

    assert queries(four, Booking.objects.filter(plan=four).latest("ends_at")) == one
