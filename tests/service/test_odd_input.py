"""
What nobody means to send, to every address: it is answered, and never by a server error.

Addresses come from the list of URLs, the names of parameters and fields from the pages themselves.
Values: OWASP ASVS 4.0.3, 5.1.3 (all input is validated), from memory. A run asks some of the
addresses, one by hand all: `ODD_TRIES=40 ODD_SEED=2 python -m pytest` and this file.
"""

import json
import re
from collections.abc import Callable, Iterator
from datetime import timedelta
from html.parser import HTMLParser
from io import BytesIO
from os import environ
from random import Random
from typing import Any

import pytest
from django.apps import apps
from django.contrib.auth.models import AbstractUser
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction
from django.test import Client
from PIL import Image

from jobs.models import Job
from tests.factories import CrewFactory
from tests.service.address_table import Page, table
from tests.service.api import reader
from tests.service.inspecting import asked, booked, published_job
from tests.service.portfolio import MONDAY
from tests.service.test_every_url import FITTING
from tests.service.test_phone_reports import enrolled

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]

TRIES = int(environ.get("ODD_TRIES", "1"))
"""Requests to each address, each with a few odd values."""
SHARE = 1.0 if "ODD_TRIES" in environ else 0.25
"""Which share of the addresses is asked."""
SEED = int(environ.get("ODD_SEED", "1"))
ODD = (
    "",
    " ",
    "\0",
    "x\0y",
    "-1",
    "0",
    "1e400",
    "nan",
    "1.5",
    "9" * 30,
    "-" + "9" * 30,
    "9223372036854775807",
    "2147483648",
    "2026-02-30",
    "0001-01-01",
    "9999-12-31",
    "9999-12-31T23:59",
    "0001-01-01T00:00",
    "2026-06-01T00:00:00+99:99",
    "25:61",
    "٣",
    "²",
    "½",
    "[]",
    "{}",
    "null",
    '{"a": 1}',
    "'\"><script>alert(1)</script>",
    "%",
    "..",
    "../../etc/passwd",
    "a\r\nSet-Cookie: a=b",
    "\ud800",
    "\u202e",
    "😀" * 200,
    "x" * 5000,
    "True",
    "1,2,3",
    "__class__",
)
EVERYWHERE = ("q", "o", "p", "e", "all", "page", "day", "from", "_popup", "format")
PAGES = table()


@pytest.fixture(autouse=True)
def media(settings: Any, tmp_path: Any) -> None:
    settings.MEDIA_ROOT = tmp_path


@pytest.fixture
def firm(office: AbstractUser) -> dict[str, str]:
    """Rows for addresses to name; return them by the name that routes give them."""
    job = published_job(number="26-500", foundation="POURED_PIER")
    visit = asked(job, "HOLE_INSPECTION", now=MONDAY)
    dig = booked(job, "DIG")
    rows = {
        "job_id": job.pk,
        "phase_id": dig.phase_id,
        "plan_id": dig.plan_id,
        "visit_id": visit.pk,
        "delivery_id": job.deliveries.earliest("pk").pk,
        "number": job.number,
    }
    return {name: str(value) for name, value in rows.items()}


class Fields(HTMLParser):
    """Reads the fields of a page's forms, with what a browser would send of them unchanged."""

    def __init__(self) -> None:
        super().__init__()
        self.values: dict[str, str] = {}
        self.queries: set[str] = set()
        self.select = self.area = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        name = given.get("name", "")
        for address in (given.get("href", ""), given.get("hx-get", "")):
            self.queries |= set(re.findall(r"[?&]([\w.]+)=", address))
        if tag == "select":
            self.select = name
            self.values.setdefault(name, "")
        elif tag == "textarea":
            self.area = name
            self.values.setdefault(name, "")
        elif tag == "option" and self.select:
            if "selected" in given or self.select not in self.values:
                self.values[self.select] = given.get("value", "")
        elif tag == "input" and name:
            ticked = given.get("type") not in ("checkbox", "radio") or "checked" in given
            if ticked or name not in self.values:
                self.values[name] = given.get("value", "on")

    def handle_endtag(self, tag: str) -> None:
        if tag == "select":
            self.select = ""

    def handle_data(self, data: str) -> None:
        if self.area:
            self.values[self.area], self.area = data.strip(), ""


def fields_of(response: Any) -> Fields:
    found = Fields()
    if response.get("Content-Type", "").startswith("text/html"):
        found.feed(response.content.decode())
    return found


def address(route: str, rows: dict[str, str], draw: Random) -> str:
    """Return an address that fits a route, mostly of a row that there is."""
    if route in FITTING:
        return FITTING[route]

    def fill(part: re.Match[str]) -> str:
        kind, name = part[1] or "int", part[2]
        if name == "object_id" and not route.startswith("admin/r/"):
            return _key_of(route)
        usual = rows.get(name, "1")
        if kind == "int":
            return draw.choice((usual, usual, "0", "9" * 30))
        if kind == "uuid":
            return "00000000-0000-0000-0000-000000000007"
        return draw.choice((usual, "x", "9" * 300))

    return "/" + re.sub(r"<(?:(\w+):)?(\w+)>", fill, route)


def _key_of(route: str) -> str:
    """Return the key of a row that an admin page is about, or of none."""
    label, _, model = route.removeprefix("admin/").partition("/")
    name = model.partition("/")[0]
    found = apps.get_model(label, name)._default_manager.order_by("pk").first()
    return "1" if found is None else str(found.pk)


def answered(ask: Callable[[], Any]) -> Any:
    """Return an answer and take back what it did; an exception is a server error."""
    with transaction.atomic():
        try:
            with transaction.atomic():
                response = ask()
                if response.streaming:
                    b"".join(response.streaming_content)
        except Exception as fault:
            transaction.set_rollback(True)
            return f"{type(fault).__name__}: {str(fault)[:300]}"
        transaction.set_rollback(True)
    return response


def spoil(values: dict[str, str], draw: Random) -> dict[str, str]:
    """Return values of which one to three are odd."""
    names = sorted(values) or list(EVERYWHERE)
    few = draw.sample(names, min(len(names), draw.randint(1, 3)))
    return {**values, **{name: draw.choice(ODD) for name in few}}


def sendable(values: dict[str, str]) -> dict[str, str]:
    """Return values as a browser can send them: half a surrogate pair goes as a question mark."""
    return {name: value.encode("utf-8", "replace").decode() for name, value in values.items()}


def some_pages(draw: Random) -> Iterator[tuple[str, Page]]:
    for route, page in sorted(PAGES.items()):
        if draw.random() < SHARE:
            yield route, page


def routes(what: str, draw: Random) -> Iterator[tuple[str, str]]:
    """Yield addresses that somebody of the office, or else the owner, reads or writes."""
    for route, page in some_pages(draw):
        who = next((letter for letter in "ow" if letter in getattr(page, what)), "")
        if who and route != "admin/logout/":
            yield route, who


def told(route: str, values: Any, response: Any) -> str:
    """Return what went wrong at an address, if anything did."""
    status = 500 if isinstance(response, str) else response.status_code
    return f"{route} {values!r:.300}: {status} {response!s:.300}" if status >= 500 else ""


@pytest.fixture
def people(office: AbstractUser, owner: AbstractUser) -> dict[str, Any]:
    """Who asks, signed in, by their letter in the table of addresses."""
    clients = {"o": Client(), "w": Client()}
    clients["o"].force_login(office)
    clients["w"].force_login(owner)
    return {**clients, "api": reader(owner)}


def test_any_query_of_any_page_is_answered(people: dict[str, Any], firm: dict[str, str]) -> None:
    draw, wrong = Random(SEED), []
    for route, who in routes("reads", draw):
        asks = people["api" if route.startswith("api/") else who]
        usual = "/" + re.sub(r"<(?:\w+:)?(\w+)>", lambda p: firm.get(p[1], "1"), route)
        page = answered(lambda asks=asks, usual=usual: asks.get(usual))
        wrong.append(told(usual, "", page))
        known = dict.fromkeys(EVERYWHERE, "1")
        if not isinstance(page, str):
            found = fields_of(page)
            known |= dict.fromkeys(found.queries, "1") | found.values
        for _ in range(TRIES):
            asked_for = address(route, firm, draw)
            chosen = dict(draw.sample(sorted(known.items()), min(len(known), 4)))
            query = sendable(spoil(chosen, draw))
            response = answered(lambda asks=asks, at=asked_for, q=query: asks.get(at, q))
            wrong.append(told(asked_for, query, response))
    assert not any(wrong), "\n".join(filter(None, wrong))


def test_any_form_with_odd_values_is_answered(people: dict[str, Any], firm: dict[str, str]) -> None:
    draw, wrong = Random(SEED), []
    for route, who in routes("writes", draw):
        if route.startswith("api/"):
            continue  # test_api_fuzz asks these
        client = people[who]
        page = answered(lambda: client.get(address(route, firm, Random(0))))  # noqa: B023
        known = {} if isinstance(page, str) else fields_of(page).values
        known.pop("csrfmiddlewaretoken", None)
        for _ in range(TRIES):
            asked_for = address(route, firm, draw)
            form = sendable(spoil(known, draw))
            response = answered(lambda c=client, at=asked_for, f=form: c.post(at, f))
            wrong.append(told(f"POST {asked_for}", form, response))
    assert not any(wrong), "\n".join(filter(None, wrong))


def test_any_key_in_an_address_is_answered(client: Client, db: None) -> None:
    wrong = []
    for key in (*ODD, "a" * 43, "A" * 300, "é" * 20):
        for at in (
            f"/feeds/{key}.ics",
            f"/feeds/{key}/",
            f"/buyer/{key}/",
            f"/phone/enroll/{key}/",
        ):
            at = at.encode("utf-8", "replace").decode()
            for method in ("get", "head", "post", "options"):
                response = answered(lambda at=at, m=method: getattr(client, m)(at))
                wrong.append(told(f"{method} {at}", "", response))
    for cookie in ODD:
        client.cookies["phone"] = cookie.encode("ascii", "replace").decode()
        wrong.append(told("/phone/", cookie, answered(lambda: client.get("/phone/"))))
    assert not any(wrong), "\n".join(filter(None, wrong))


OUTBOX = {"X-Outbox": "1", "Accept": "application/json"}
BODIES = (
    b"",
    b"null",
    b"[]",
    b"1",
    b'{"reports": null}',
    b'{"reports": 1}',
    b'{"reports": [null]}',
    b'{"reports": [1, "a", [], {}]}',
    b'{"reports": {"0": {}}}',
    b'{"reports": [{"id": 1}]}',
    b'{"reports": [{"id": null, "do": null}]}',
    b"\xff\xfe",
    b"[" * 100_000,
    b'{"reports": [{"id": "\\ud800"}]}',
    b'{"reports": [NaN, Infinity]}',
    b"9" * 6000,
)


def test_whatever_a_phone_sends_is_answered(firm: dict[str, str]) -> None:
    job = Job.objects.get(number=firm["number"])
    dig, draw, wrong = booked(job, "DIG"), Random(SEED), []
    client = enrolled(dig.crew)

    def send(body: bytes) -> Any:
        return client.post("/phone/reports/", body, content_type="application/json", headers=OUTBOX)

    for body in BODIES:
        wrong.append(told("body", body[:60], answered(lambda body=body: send(body))))
    page = client.get(f"/phone/phases/{dig.phase_id}/")
    names = sorted({*fields_of(page).values, "id", "phase", "do", "made_at", "seen_starts_at"})
    does = (
        "STARTED",
        "PROGRESS",
        "DONE",
        "STOPPED",
        "NOTE",
        "UNDO",
        "INSPECTED",
        "ARRIVED",
        "SHOT",
    )
    for number in range(40 * TRIES):
        row: dict[str, Any] = {
            "id": f"00000000-0000-0000-0000-{number:012d}",
            "made_at": (MONDAY - timedelta(hours=1)).isoformat(),
            "phase": str(dig.phase_id),
            "do": draw.choice(does),
        }
        for name in draw.sample(names, 4):
            row[name] = draw.choice((*ODD, 1, -1, None, [], {}, True, 1e308, 10**40, row["id"]))
        text = json.dumps({"reports": [row]}).encode()
        wrong.append(told("report", text, answered(lambda text=text: send(text))))
    assert not any(wrong), "\n".join(filter(None, wrong))


def pictures() -> Iterator[bytes]:
    """Yield what calls itself a photo: cut off, of two kinds at once, deep, or of no size."""
    out = BytesIO()
    Image.new("RGB", (60, 40), "navy").save(out, "JPEG")
    whole = out.getvalue()
    yield from (whole[:end] for end in (1, 2, 10, 200, len(whole) - 5))
    yield whole + b"<script>alert(1)</script>"
    yield b"GIF89a" + b"\0" * 40
    yield b"%PDF-1.7\n" + whole
    yield b"PK\x03\x04" + whole
    yield b"\x89PNG\r\n\x1a\n" + b"\xff" * 60
    yield b"RIFF\xff\xff\xff\xffWEBPVP8 " + b"\xff" * 30
    yield b"II*\0\x08\0\0\0\xff\xff" + b"\xff" * 60
    yield b'<svg xmlns="http://www.w3.org/2000/svg"><script/></svg>'
    draw = Random(SEED)
    for _ in range(10 * TRIES):
        at = draw.randrange(len(whole))
        yield whole[:at] + draw.randbytes(3) + whole[at + 3 :]


def test_whatever_calls_itself_a_photo_is_answered(
    lead: AbstractUser, firm: dict[str, str]
) -> None:
    job = Job.objects.get(number=firm["number"])
    dig, wrong = booked(job, "DIG"), []
    phone, api = enrolled(dig.crew), reader(lead)
    CrewFactory(lead=lead)
    at = "reports/00000000-0000-0000-0000-000000000009/photos/"
    report = {
        "id": "00000000-0000-0000-0000-000000000009",
        "made_at": (MONDAY - timedelta(hours=1)).isoformat(),
        "phase": str(dig.phase_id),
        "do": "STARTED",
    }
    body = json.dumps({"reports": [report]})
    phone.post("/phone/reports/", body, content_type="application/json", headers=OUTBOX)
    for data in pictures():
        for name in ("a.jpg", "../../a.php", "a\0b.jpg", "", "x" * 400):
            photo = SimpleUploadedFile(name or "x", data, content_type="image/jpeg")
            photo._name = name  # past what the class itself cleans
            response = answered(
                lambda photo=photo: phone.post(
                    f"/phone/{at}", {"photo": photo}, headers={"X-Outbox": "1"}
                )
            )
            wrong.append(told("phone", (name, data[:20]), response))
            photo.seek(0)
        response = answered(lambda photo=photo: api.post(f"/api/v1/{at}", {"photo": photo}))
        wrong.append(told("api", data[:20], response))
    assert not any(wrong), "\n".join(filter(None, wrong))


MULTIPART = (
    ("multipart/form-data", b""),
    ("multipart/form-data; boundary=", b"--\r\n"),
    ("multipart/form-data; boundary=x", b""),
    ("multipart/form-data; boundary=x", b"--x\r\n\r\n\r\n--x--"),
    ("multipart/form-data; boundary=x", b'--x\r\nContent-Disposition: form-data; name="photo"'),
    ("multipart/form-data; boundary=" + "x" * 300, b"--x"),
    ("multipart/form-data; boundary=\xe9", b"--x"),
    (
        "multipart/form-data; boundary=x",
        b'--x\r\nContent-Disposition: form-data; name="files"; filename="a.csv"\r\n'
        b"Content-Transfer-Encoding: base64\r\n\r\n!!!\r\n--x--",
    ),
    (
        "multipart/form-data; boundary=x",
        b"".join(
            b'--x\r\nContent-Disposition: form-data; name="a%d"\r\n\r\n1\r\n' % n
            for n in range(1200)
        )
        + b"--x--",
    ),
    ("application/x-www-form-urlencoded", b"&".join(b"a%d=1" % n for n in range(1200))),
    ("application/x-www-form-urlencoded; charset=nonsense", b"a=%ff"),
    ("application/json; charset=nonsense", b"{}"),
    ("text/plain", b"\xff"),
    ("", b"x"),
)


def test_any_broken_body_at_any_door_is_answered(
    client: Client, office: AbstractUser, firm: dict[str, str]
) -> None:
    client.force_login(office)
    api, phone, draw, wrong = reader(office), Client(), Random(SEED), []
    for route, _ in some_pages(draw):
        asks = api if route.startswith("api/") else phone if route.startswith("phone/") else client
        for kind, body in draw.sample(MULTIPART, min(len(MULTIPART), TRIES + 1)):
            asked_for = address(route, firm, draw)
            response = answered(
                lambda asks=asks, at=asked_for, kind=kind, body=body: asks.generic(
                    "POST", at, body, content_type=kind
                )
            )
            wrong.append(told(asked_for, (kind, body[:40]), response))
    assert not any(wrong), "\n".join(filter(None, wrong))
