"""What is told of how good a plan is, and what its sites would rather have."""

from typing import Any

import pytest
from django.contrib.auth.models import AbstractUser
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from contractor.engine.problem import Link
from jobs.models import Plan
from jobs.selectors import plans
from jobs.selectors.open_work import open_work
from jobs.services import planning
from jobs.services.portfolio import Portfolio, build_portfolio, state_of
from tests.factories import AuthorityFactory
from tests.service.api import ROOT, reader
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = pytest.mark.django_db

LIST = reverse("admin:jobs_plan_changelist")


def portfolio() -> Portfolio:
    return build_portfolio(
        work=open_work(now=MONDAY), zone=timezone.get_default_timezone(), horizon_days=450
    )


def named(found: Portfolio, before: str, after: str) -> list[Link]:
    """Return the links from the phase `before` to the phase `after`."""
    stretches = found.stretches
    return [
        link
        for link in found.problem.links
        if (stretches[link.before].last.code, stretches[link.after].first.code) == (before, after)
    ]


def make_plan(**columns: Any) -> Plan:
    objective = {"total": 1234.5, "iterations": 4321, "optimal": False, "bound": None}
    return Plan.objects.create(
        as_of=MONDAY,
        made_at=MONDAY,
        source="improved",
        seconds=5.04,
        objective={**objective, **columns.pop("objective", {})},
        **columns,
    )


def test_a_visit_to_a_far_site_costs_more_than_one_next_door() -> None:
    make_firm()
    make_job(number="26-001", drive_minutes=0)
    make_job(number="26-002", drive_minutes=90)

    near, far = portfolio().problem.jobs

    assert 0 < near.visit_price < far.visit_price


@pytest.mark.parametrize("asked_when", ["READY", "WORK_STARTED", "AHEAD"])
def test_holes_are_wished_to_be_inspected_soon_however_visits_are_asked_for(
    asked_when: str,
) -> None:
    make_firm()
    make_job(authority=AuthorityFactory(asked_when=asked_when))

    links = named(portfolio(), "DIG", "HOLE_INSPECTION")

    assert [link.longest_slots is not None for link in links].count(True) == 1


def test_what_a_visit_costs_is_part_of_the_state_that_plans_are_compared_by() -> None:
    make_firm()
    job = make_job(drive_minutes=20)
    before = state_of(portfolio().problem)

    job.drive_minutes = 21  # less than a quarter hour more: no calendar is another by it
    job.save()

    assert state_of(portfolio().problem) != before


def test_a_plan_tells_what_it_gained_over_the_first_plan() -> None:
    make_firm()
    for number in ("26-001", "26-002", "26-003"):
        make_job(number=number)
    first = planning.plan_now(now=MONDAY, budget_seconds=0)

    plan = planning.plan_now(now=MONDAY, budget_seconds=0.5)

    assert first.gained is None
    assert plan.gained == pytest.approx(first.objective["total"] - plan.objective["total"])


@pytest.mark.parametrize(
    ("objective", "words"),
    [
        ({"optimal": True, "bound": {"total": 1234.5}}, "proven best"),
        ({"bound": {"total": 1000.0}}, "no plan costs less than 1,000.0"),
        ({}, "no bound is known"),
    ],
)
def test_only_what_is_proven_best_is_called_so(objective: dict[str, Any], words: str) -> None:
    assert plans.bound_words(make_plan(objective=objective)) == words


def test_the_list_and_the_page_of_plans_tell_how_each_was_found(
    client: Client, office: AbstractUser
) -> None:
    client.force_login(office)
    plan = make_plan(gained=99.5, objective={"visits": 12, "overlong_days": 3, "open_days": 40})

    listed = client.get(LIST).content.decode()
    page = client.get(reverse("admin:jobs_plan_change", args=[plan.pk])).content.decode()

    for text in ("4,321 in 5.0 s", "99.5", "1,234.5", "no bound is known"):
        assert text in listed
    for text in ("4,321", "5.0 s", "99.5", "no bound is known", "Visits of crews to sites"):
        assert text in page


def test_the_api_lists_what_is_known_of_each_plan(owner: AbstractUser) -> None:
    make_plan(gained=99.5, objective={"bound": {"total": 1000.0}})

    (row,) = reader(owner).get(f"{ROOT}plans/").json()["results"]

    known = {name: row[name] for name in ("total", "bound", "optimal", "iterations", "gained")}
    assert known == {
        "total": 1234.5,
        "bound": 1000.0,
        "optimal": False,
        "iterations": 4321,
        "gained": 99.5,
    }
