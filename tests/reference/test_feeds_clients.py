"""
A feed subscribed to over HTTP by programs that people use, moved, and fetched again.

Sources: `vdirsyncer` keeps a folder in step with an address, `khal` reads that folder as a
calendar, `recurring-ical-events` answers what happens between two days.
"""

import os
import re
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import icalendar
import pytest
import recurring_ical_events
from django.utils import timezone

from crews import services
from crews.models import FeedCalendar, FeedEvent
from jobs.services import planning, publishing
from jobs.services.feed_readers import subscribe_to
from tests.processes import PATIENCE_SECONDS
from tests.reference.feed_readers import (
    read_with_ical_js,
    read_with_icalendar,
    read_with_vobject,
)
from tests.service.portfolio import make_firm, make_job

PROGRAMS = Path(sys.executable).parent
SYNC = """
[general]
status_path = "{home}/status/"
[pair work]
a = "feed"
b = "folder"
collections = null
conflict_resolution = "a wins"
[storage feed]
type = "http"
url = "{url}"
[storage folder]
type = "filesystem"
path = "{home}/feed/"
fileext = ".ics"
"""
READ = """
[calendars]
[[work]]
path = {home}/feed/
type = calendar
[locale]
timeformat = %H:%M
dateformat = %Y-%m-%d
longdateformat = %Y-%m-%d
datetimeformat = %Y-%m-%d %H:%M
longdatetimeformat = %Y-%m-%d %H:%M
default_timezone = UTC
local_timezone = UTC
[sqlite]
path = {home}/khal.db
[default]
default_calendar = work
"""


class Subscriber:
    """Someone whose calendar programs follow one address."""

    def __init__(self, home: Path, url: str) -> None:
        self.home = home
        (home / "feed").mkdir(parents=True)
        (home / "sync.conf").write_text(SYNC.format(home=home, url=url))
        (home / "khal.conf").write_text(READ.format(home=home))

    def sync(self) -> dict[str, tuple[str, str]]:
        """Return first and last day of each event, by summary, after fetching."""
        settings = ("-c", str(self.home / "sync.conf"))
        if not (self.home / "status").exists():
            self._run("vdirsyncer", *settings, "discover", "work")
        self._run("vdirsyncer", *settings, "sync", "work")
        return self._listed()

    def read_file(self, body: bytes) -> dict[str, tuple[str, str]]:
        """Return the same after khal read a file, which it puts in place of equal UIDs."""
        sent = self.home / "sent.ics"
        sent.write_bytes(body)
        self._khal("import", "--batch", "-a", "work", str(sent))
        return self._listed()

    @property
    def files(self) -> int:
        """Return how many events the folder holds."""
        return len(list((self.home / "feed").glob("*.ics")))

    def _listed(self) -> dict[str, tuple[str, str]]:
        line = "{title}|{start-date}|{end-date}"
        span = (f"{timezone.localdate():%Y-%m-%d}", "400d")
        listed = self._khal("list", "--once", "--format", line, "--day-format", "", *span)
        rows = [row.split("|") for row in listed.splitlines() if row.count("|") == 2]
        found = {summary: (start, end) for summary, start, end in rows}
        assert len(found) == len(rows), "an event is listed twice"
        return found

    def _khal(self, *arguments: str) -> str:
        return self._run("khal", "-c", str(self.home / "khal.conf"), *arguments)

    def _run(self, program: str, *arguments: str) -> str:
        own = {"HOME": str(self.home), "XDG_CACHE_HOME": str(self.home), "LANG": "C.UTF-8"}
        done = subprocess.run(
            [str(PROGRAMS / program), *arguments],
            env=os.environ | own,
            capture_output=True,
            text=True,
            timeout=PATIENCE_SECONDS,
            input="y\n",
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout


@pytest.fixture
def url(live_server):
    return lambda address: live_server.url + _path(address)


def _path(address):
    return re.sub(r"^https?://[^/]+", "", address)


def _publish(now):
    plan = planning.plan_now(now=now, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=now)


def _first_days(crew):
    rows = FeedEvent.objects.filter(crew=crew, is_dropped=False)
    return {row.summary: timezone.localdate(row.starts_at).isoformat() for row in rows}


def _moved(job, now):
    job.earliest_start_on = timezone.localdate(now) + timedelta(days=28)
    job.save()
    _publish(now + timedelta(minutes=1))


@pytest.mark.django_db(transaction=True)
def test_a_phase_that_moves_moves_in_a_subscribers_calendar_and_is_there_once(url, tmp_path):
    now = timezone.now()
    (crew,) = make_firm(crews=1)
    job = make_job(promised_on=None)
    _publish(now)
    reader = Subscriber(tmp_path, url(services.subscribe(crew=crew, reader="Lead", now=now)[1]))
    before = reader.sync()

    _moved(job, now)
    after = reader.sync()

    assert {summary: start for summary, (start, _) in after.items()} == _first_days(crew)
    assert before.keys() == after.keys()
    assert all(before[summary] < after[summary] for summary in after)
    assert reader.files == len(after)


@pytest.mark.django_db
def test_an_event_that_moves_takes_the_place_of_itself_by_its_uid(client, tmp_path):
    now = timezone.now()
    (crew,) = make_firm(crews=1)
    job = make_job(promised_on=None)
    _publish(now)
    path = _path(services.subscribe(crew=crew, reader="Lead", now=now)[1])
    reader = Subscriber(tmp_path, "")
    before = reader.read_file(client.get(path).content)

    _moved(job, now)
    after = reader.read_file(client.get(path).content)

    assert {summary: start for summary, (start, _) in after.items()} == _first_days(crew)
    assert all(before[summary] < after[summary] for summary in after)
    assert reader.files == len(before) == len(after)


@pytest.mark.django_db(transaction=True)
def test_work_that_is_taken_off_a_crew_leaves_a_subscribers_calendar(url, tmp_path):
    now = timezone.now()
    (crew,) = make_firm(crews=1)
    kept, gone = make_job(promised_on=None), make_job(promised_on=None)
    _publish(now)
    reader = Subscriber(tmp_path, url(services.subscribe(crew=crew, reader="L", now=now)[1]))
    before = reader.sync()
    gone.status = gone.Status.CANCELLED
    gone.save()

    _publish(now + timedelta(minutes=1))
    after = reader.sync()

    assert all(gone.number not in summary for summary in after)
    assert any(kept.number in summary for summary in after)
    assert len(after) < len(before)
    assert reader.files == len(after)


@pytest.mark.node
@pytest.mark.django_db
def test_calendars_of_every_kind_are_read_the_same_by_all(client):
    now = timezone.now()
    (crew,) = make_firm(crews=1)
    job = make_job(site_address='12 "Fence Row", Lot 3; rear\\gate', promised_on=None)
    addresses = [services.subscribe(crew=crew, reader="R", now=now)[1]]
    for kind, number in (
        (FeedCalendar.Kind.FIRM, 0),
        (FeedCalendar.Kind.JOB, job.pk),
        (FeedCalendar.Kind.AUTHORITY, job.permit.authority_id),
        (FeedCalendar.Kind.BUYER, job.pk),
    ):
        addresses.append(subscribe_to(kind=kind, number=number, reader="R", now=now)[1])
    _publish(now)

    for address in addresses:
        body = client.get(_path(address)).content
        read = read_with_icalendar(body)
        assert read
        assert read == read_with_vobject(body) == read_with_ical_js(body)
        assert all(
            event.location.startswith('12 "Fence Row", Lot 3; rear\\gate,') for event in read
        )


def _days(event):
    """Return the days on which a calendar shows an event."""
    start, end = event["DTSTART"].dt, event["DTEND"].dt
    if isinstance(start, datetime):
        return {start.astimezone(UTC).date()}
    return {start + timedelta(days=n) for n in range((end - start).days)}


@pytest.mark.django_db
def test_what_is_on_each_day_is_what_an_independent_program_finds(client):
    now = timezone.now()
    (crew,) = make_firm(crews=1)
    make_job(promised_on=None)
    _publish(now)
    _, address = services.subscribe(crew=crew, reader="R", now=now)
    calendar = icalendar.Calendar.from_ical(client.get(_path(address)).content)
    events = calendar.events
    on_day: dict[date, set[str]] = {}
    for event in events:
        for day in _days(event):
            on_day.setdefault(day, set()).add(str(event["UID"]))

    first, last = min(on_day), max(on_day)
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]

    for day in days:
        found = {str(event["UID"]) for event in recurring_ical_events.of(calendar).at(day)}
        assert found == on_day.get(day, set()), day
