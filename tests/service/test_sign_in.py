"""
The sign-in page: guessing is stopped, and who is locked out is told for how long.

Source: OWASP ASVS 4.0.3, 2.2.1 (no more than 100 failed attempts an hour on one account) and
2.4.1 (passwords hashed by a function made for it), from memory.
"""

from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.contrib.auth import authenticate
from django.contrib.auth.models import User
from django.test import Client, RequestFactory

from jobs.models import FailedSignIn
from jobs.services import sign_in
from tests.factories import OfficeFactory
from tests.service.portfolio import MONDAY

pytestmark = pytest.mark.django_db

PASSWORD = "girts at 24 inches"
LOGIN = "/admin/login/?next=/admin/"


@pytest.fixture
def hollis() -> User:
    """Someone of the office who has a password."""
    user: User = OfficeFactory(username="hollis")
    user.set_password(PASSWORD)
    user.save()
    return user


def enter(password: str, *, name: str = "hollis", address: str = "192.0.2.7", **more: Any) -> Any:
    """Return the answer to a name and password entered from an address (RFC 5737)."""
    given = {"username": name, "password": password}
    return Client().post(LOGIN, given, REMOTE_ADDR=address, **more)


def fail(times: int, *, name: str = "hollis", address: str = "192.0.2.7") -> None:
    """Record passwords that did not fit, a second apart."""
    for number in range(times):
        at = MONDAY - timedelta(seconds=times - number)
        sign_in.record_failure(username=name, address=address, now=at)


@time_machine.travel(MONDAY, tick=False)
def test_the_right_password_opens(hollis: User):
    assert enter(PASSWORD).status_code == 302


@time_machine.travel(MONDAY, tick=False)
def test_after_five_wrong_ones_the_right_one_does_not_open_either(hollis: User):
    for _ in range(sign_in.MOST_FROM_ONE_PLACE):
        assert enter("wrong").status_code == 200

    answer = enter(PASSWORD)

    assert answer.status_code == 200
    assert "Wait 16 min" in answer.content.decode() or "Wait 15 min" in answer.content.decode()


@time_machine.travel(MONDAY, tick=False)
def test_no_other_door_takes_the_password_meanwhile(hollis: User):
    request = RequestFactory().post("/", REMOTE_ADDR="192.0.2.7")
    given = {"username": "hollis", "password": PASSWORD}
    assert authenticate(request, **given) == hollis
    fail(sign_in.MOST_FROM_ONE_PLACE)

    assert authenticate(request, **given) is None


def test_after_a_quarter_of_an_hour_it_opens_again(hollis: User):
    fail(sign_in.MOST_FROM_ONE_PLACE)

    with time_machine.travel(MONDAY + sign_in.WINDOW, tick=False):
        assert enter(PASSWORD).status_code == 302


@time_machine.travel(MONDAY, tick=False)
def test_one_who_forgot_does_not_lock_out_the_same_name_elsewhere(hollis: User):
    fail(sign_in.MOST_FROM_ONE_PLACE)

    assert enter(PASSWORD, address="192.0.2.8").status_code == 302


@time_machine.travel(MONDAY, tick=False)
def test_many_places_that_guess_one_name_lock_it_everywhere(hollis: User):
    for place in range(sign_in.MOST_OF_ONE_NAME):
        fail(1, address=f"198.51.100.{place}")

    assert enter(PASSWORD, address="192.0.2.8").status_code == 200


@time_machine.travel(MONDAY, tick=False)
def test_one_place_that_tries_many_names_is_locked(hollis: User):
    for number in range(sign_in.MOST_FROM_ONE_ADDRESS):
        fail(1, name=f"name{number}")

    assert enter(PASSWORD).status_code == 200
    assert enter(PASSWORD, address="192.0.2.8").status_code == 302


@time_machine.travel(MONDAY, tick=False)
def test_a_name_that_nobody_has_is_refused_in_the_same_words(hollis: User):
    fail(sign_in.MOST_FROM_ONE_PLACE)
    fail(sign_in.MOST_FROM_ONE_PLACE, name="nobody")

    texts = [enter("x", name=name).context["form"].errors for name in ("hollis", "nobody")]

    assert texts[0] == texts[1] != {}


@time_machine.travel(MONDAY, tick=False)
def test_capitals_make_no_other_name(hollis: User):
    fail(sign_in.MOST_FROM_ONE_PLACE, name="HOLLIS")

    assert enter(PASSWORD).status_code == 200


@time_machine.travel(MONDAY, tick=False)
def test_the_right_password_forgets_the_wrong_ones(hollis: User):
    fail(sign_in.MOST_FROM_ONE_PLACE - 1)

    enter(PASSWORD)

    assert not FailedSignIn.objects.exists()


@time_machine.travel(MONDAY, tick=False)
def test_behind_a_proxy_its_own_word_counts_and_not_the_senders(hollis: User, settings: Any):
    settings.BEHIND_PROXY = True
    fail(sign_in.MOST_FROM_ONE_PLACE, address="203.0.113.9")

    forged = enter(PASSWORD, headers={"X-Forwarded-For": "192.0.2.1, 203.0.113.9"})
    other = enter(PASSWORD, headers={"X-Forwarded-For": "203.0.113.9, 192.0.2.1"})

    assert (forged.status_code, other.status_code) == (200, 302)


def test_without_a_proxy_the_header_is_nobodys_word(hollis: User):
    enter("wrong", headers={"X-Forwarded-For": "203.0.113.9"})

    assert FailedSignIn.objects.get().address == "192.0.2.7"


def test_failures_of_more_than_a_day_ago_are_dropped(hollis: User):
    fail(3)

    sign_in.record_failure(
        username="hollis", address="192.0.2.7", now=MONDAY + sign_in.KEPT_FOR + timedelta(hours=1)
    )

    assert FailedSignIn.objects.count() == 1


def test_a_name_can_be_tried_less_than_a_hundred_times_an_hour():
    windows = timedelta(hours=1) / sign_in.WINDOW

    assert sign_in.MOST_OF_ONE_NAME * windows < 100


def test_passwords_are_hashed_by_argon2id(
    hollis: User, settings: Any, quick_passwords: list[str]
) -> None:
    """Source: RFC 9106, the encoding with its type in front."""
    settings.PASSWORD_HASHERS = quick_passwords

    hollis.set_password(PASSWORD)
    hollis.save()

    assert hollis.password.startswith("argon2$argon2id$")
    assert enter(PASSWORD).status_code == 302
