"""`manage.py plan`: what its options take, and what it prints."""

import json
from io import StringIO
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from jobs.models import Plan
from tests.service.portfolio import make_firm, make_job

pytestmark = pytest.mark.django_db

MONDAY = "2026-06-01T06:00"


def run(*options: str) -> str:
    out = StringIO()
    call_command("plan", "--seconds", "0", *options, stdout=out)
    return out.getvalue()


def test_the_json_has_the_parts_that_programs_read() -> None:
    make_firm()
    make_job()

    told = json.loads(run("--json", "--as-of", MONDAY))

    assert set(told) == {"plan", "bookings", "waits", "unplanned", "promises"}
    assert told["plan"]["as_of"] == "2026-06-01T06:00:00-04:00"
    assert told["bookings"]


def test_the_same_work_at_the_same_moment_gives_the_same_plan() -> None:
    make_firm()
    make_job()

    first, second = (json.loads(run("--json", "--as-of", MONDAY)) for _ in range(2))

    assert first["bookings"] == second["bookings"]
    assert first["waits"] == second["waits"]


def test_published_twice_the_second_plan_replaces_the_first() -> None:
    make_firm()
    make_job()

    for _ in range(2):
        run("--publish", "--as-of", MONDAY)

    states = list(Plan.objects.order_by("pk").values_list("status", flat=True))
    assert states == [Plan.Status.REPLACED, Plan.Status.PUBLISHED]


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--seconds", "nan"), "--seconds nan: write 0 to 3600"),
        (("--seed", "-1"), "--seed -1: write 0 to 2147483647"),
        (("--seed", "99999999999999999999"), "--seed 99999999999999999999: write 0 to"),
        (("--as-of", "soon"), "--as-of soon: not a moment"),
        (("--as-of", "0001-01-01"), "the year is not between 1900 and 2200"),
        (("--as-of", "9999-12-31T23:59"), "the year is not between 1900 and 2200"),
        # The nights of 2027 on which New York's clock is changed (15 U.S.C. 260a, from memory).
        (("--as-of", "2027-03-14T02:30"), "The clock skips this time"),
        (("--as-of", "2027-11-07T01:30"), "The clock shows this time twice"),
    ],
)
def test_a_value_that_cannot_be_used_is_refused_and_no_plan_is_made(
    settings: Any, options: tuple[str, str], told: str
) -> None:
    settings.TIME_ZONE = "America/New_York"
    make_firm()

    with pytest.raises(CommandError, match=told):
        run(*options)

    assert not Plan.objects.exists()


def test_in_the_hour_that_comes_twice_an_offset_says_which(settings: Any) -> None:
    settings.TIME_ZONE = "America/New_York"
    make_firm()
    make_job()

    told = json.loads(run("--json", "--as-of", "2027-11-07T01:30-05:00"))

    assert told["plan"]["as_of"] == "2027-11-07T01:30:00-05:00"
