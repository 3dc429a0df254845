"""
Who came in, who was refused and whose password is new stands in the log, and nothing secret does.

Source: OWASP ASVS 4.0.3, 2.2.3 (people are told of a changed password), 7.1.1, 7.2.1 and 7.2.2
(decisions of sign-in and of access are logged), from memory; addresses of RFC 5737 and RFC 3849.
"""

import logging
from typing import Any

import pytest
from django.contrib.admin.models import LogEntry
from django.contrib.auth.models import User
from django.contrib.auth.password_validation import validate_password
from django.core import mail
from django.test import Client, RequestFactory

from contractor.senders import address_of
from crews.services import feed_links, phones
from jobs import tasks
from jobs.services import buyer_links, sign_in
from tests.factories import CrewFactory, JobFactory, OfficeFactory
from tests.service.api import reader
from tests.service.portfolio import MONDAY

# What is written to the log and to people hangs on no kind of database.
pytestmark = [pytest.mark.django_db, pytest.mark.either_database]

PASSWORD = "girts at 24 inches"
NEW = "purlins at 24 inches"


@pytest.fixture
def hollis() -> User:
    """Someone of the office who has a password and an address."""
    user: User = OfficeFactory(username="hollis", email="hollis@example.com")
    user.set_password(PASSWORD)
    user.save()
    return user


def enter(name: str, password: str) -> Client:
    client = Client(REMOTE_ADDR="192.0.2.7")
    client.post("/admin/login/", {"username": name, "password": password})
    return client


def test_who_comes_and_goes_is_written_with_the_address(hollis: User, caplog: Any) -> None:
    caplog.set_level(logging.INFO, "contractor.sign_in")

    enter("hollis", PASSWORD).post("/admin/logout/")

    assert caplog.messages == [
        "Signed in: hollis from 192.0.2.7",
        "Signed out: hollis from 192.0.2.7",
    ]


def test_what_does_not_fit_and_who_is_locked_is_written_without_what_was_typed(
    hollis: User, caplog: Any
) -> None:
    caplog.set_level(logging.INFO, "contractor.sign_in")

    for _ in range(sign_in.MOST_FROM_ONE_PLACE + 1):
        enter("hollis", "not this one")
    enter(PASSWORD, "typed into the wrong field")

    *refused, locked, unknown = caplog.messages
    assert set(refused) == {"Sign-in refused, the password does not fit: hollis from 192.0.2.7"}
    assert locked == "Sign-in refused, locked: hollis from 192.0.2.7"
    assert unknown.endswith("a name that nobody has from 192.0.2.7")
    assert PASSWORD not in caplog.text
    assert "not this one" not in caplog.text


@pytest.mark.parametrize(
    ("address", "line"),
    [
        ("/api/v1/jobs/", "Forbidden: /api/v1/jobs/ (stranger, 192.0.2.7)"),
        ("/admin/nowhere/", "Not Found: /admin/nowhere/ (192.0.2.7)"),
    ],
)
def test_what_is_refused_names_whom_and_from_where(
    stranger: User, caplog: Any, address: str, line: str
) -> None:
    client = Client(REMOTE_ADDR="192.0.2.7")
    client.force_login(stranger if "api" in address else OfficeFactory(is_superuser=True))

    client.get(address)

    assert caplog.messages[-1] == line


def test_a_key_that_opens_nothing_is_refused_to_nobody(caplog: Any) -> None:
    key = "F2_tdIXfFhpAzLPkcj-uvE1oWmvGcxewloO58R9mIIw"

    Client(REMOTE_ADDR="192.0.2.7").get("/api/v1/jobs/", headers={"Authorization": f"Token {key}"})

    assert caplog.messages[-1] == "Unauthorized: /api/v1/jobs/ (nobody, 192.0.2.7)"
    assert key not in caplog.text


@pytest.mark.parametrize(
    ("sent_from", "counted"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:db8:1:2:ffff::1%eth0", "2001:db8:1:2::/64"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("unix:", "unix:"),
    ],
)
def test_of_ipv6_one_counts_whose_network_it_is(sent_from: str, counted: str) -> None:
    """Else whoever guesses takes another of their 2^64 addresses each time."""
    request = RequestFactory().get("/", REMOTE_ADDR=sent_from)

    assert address_of(request) == counted


@pytest.mark.parametrize("action", ["revoke", "new_link"])
@pytest.mark.parametrize("kind", ["phone", "feedsubscription", "buyerlink"])
def test_who_closed_or_replaced_a_link_stands_in_its_history(
    office: User, action: str, kind: str
) -> None:
    crew = CrewFactory()
    row: Any
    if kind == "phone":
        row, _ = phones.invite(crew=crew, person_name="Ada", now=MONDAY)
    elif kind == "buyerlink":
        row, _ = buyer_links.make_link(job=JobFactory(), reader="Ada", now=MONDAY)
    else:
        row, _ = feed_links.subscribe(crew=crew, reader="Ada", now=MONDAY)
    client = Client()
    client.force_login(office)

    address = f"/admin/{row._meta.app_label}/{kind}/"
    client.post(address, {"action": action, "_selected_action": row.pk})

    told = LogEntry.objects.get(object_id=str(row.pk))
    assert told.user == office
    assert told.change_message == {"revoke": "Revoked.", "new_link": "New link."}[action]


def test_a_new_password_is_written_and_told_to_whose_it_is(
    hollis: User, caplog: Any, django_capture_on_commit_callbacks: Any, monkeypatch: Any
) -> None:
    caplog.set_level(logging.INFO, "contractor.sign_in")
    monkeypatch.setattr(tasks.tell_of_new_password, "delay", tasks.tell_of_new_password)
    given = {"old_password": PASSWORD, "new_password1": NEW, "new_password2": NEW}

    with django_capture_on_commit_callbacks(execute=True):
        enter("hollis", PASSWORD).post("/admin/password_change/", given)

    (message,) = mail.outbox
    assert message.to == ["hollis@example.com"]
    assert "hollis" in message.body
    assert NEW not in message.body
    assert "New password: hollis" in caplog.messages
    assert NEW not in caplog.text


@pytest.mark.parametrize("columns", [{"email": ""}, {"is_active": False}])
def test_who_has_no_address_or_left_is_not_written_to(hollis: User, columns: Any) -> None:
    User.objects.update(**columns)

    assert not sign_in.tell_of_new_password(user_id=hollis.pk)
    assert mail.outbox == []


def test_the_first_password_is_no_change(
    caplog: Any, django_capture_on_commit_callbacks: Any
) -> None:
    with django_capture_on_commit_callbacks() as asked:
        User.objects.create_user("new", "new@example.com", PASSWORD)

    assert asked == []


def test_the_words_below_the_field_say_so(office: User) -> None:
    client = Client()
    client.force_login(office)

    assert "gets a message" in client.get("/admin/password_change/").content.decode()
    validate_password(PASSWORD)


@pytest.mark.parametrize(
    ("address", "kind"),
    [("/api/v1/jobs/", "application/problem+json"), ("/admin/", "text/html; charset=utf-8")],
)
def test_a_host_that_is_not_ours_is_answered_as_whoever_asks_reads(address: str, kind: str) -> None:
    """Source: RFC 9457; RFC 9110, section 7.2: a host that is not served."""
    answer = Client().get(address, headers={"Host": "elsewhere.example"})

    assert (answer.status_code, answer.headers["Content-Type"]) == (400, kind)
    assert b"elsewhere" not in answer.content


def test_a_failure_outside_of_the_api_tells_nothing_of_its_inside(
    office: User, monkeypatch: Any
) -> None:
    def fail(*_: Any) -> None:
        raise ValueError("inside")

    monkeypatch.setattr("jobs.api.base.OwnersView.dispatch", fail)
    client = reader(office)
    client.raise_request_exception = False

    answer = client.get("/api/v1/jobs/")

    assert answer.status_code == 500
    assert answer.json()["title"] == "Internal Server Error"
    assert "inside" not in answer.content.decode()
