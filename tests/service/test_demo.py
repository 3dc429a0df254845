"""Setting up the demo: files moved to this week, sign-ins, calendar links."""

import csv
import stat
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
import time_machine
from django.contrib.auth.models import User
from django.utils import timezone

from crews.models import Crew, Firm
from crews.selectors import subscription_for
from jobs.management.commands.demo import sign_in_lines
from jobs.models import Job, Phase
from jobs.selectors.board import Shown, board
from jobs.services import demo
from jobs.services.loading import load
from tests.factories import CrewFactory, StrangerFactory

# tests/functional/test_demo_serves.py sets up the whole demo on the embedded default.
pytestmark = [pytest.mark.django_db, pytest.mark.either_database]

FILES = sorted(demo.FIXTURES.glob("*.csv"))
WEDNESDAY = datetime(2027, 6, 16, 15, tzinfo=UTC)


def test_nothing_in_the_files_has_a_fault_and_cautions_are_few() -> None:
    report = load(paths=FILES)

    besides_digging = [c for c in report.cautions if c.column != "foundation"]
    assert len(besides_digging) < 1.5 * report.counts["jobs"]


def test_every_supplier_phone_and_address_is_invented() -> None:
    cells = [
        (column, cell)
        for path in FILES
        for row in csv.DictReader(path.read_text().splitlines())
        for column, cell in row.items()
        if cell
    ]

    assert all(c.startswith("555-01") for name, c in cells if name.endswith("phone"))
    assert all(c.endswith("@example.com") for name, c in cells if name.endswith("email"))


@pytest.mark.parametrize(
    ("today", "monday"),
    [
        (datetime(2026, 11, 23, 17, tzinfo=UTC), date(2026, 11, 23)),
        (datetime(2026, 11, 30, 3, tzinfo=UTC), date(2026, 11, 23)),  # still Sunday at the site
        (datetime(2026, 11, 22, 17, tzinfo=UTC), date(2026, 11, 16)),
        (WEDNESDAY, date(2027, 6, 14)),
    ],
)
def test_the_files_monday_becomes_this_weeks_monday(today: datetime, monday: date) -> None:
    assert demo.BASE_MONDAY + timedelta(days=demo.days_to_this_week(today)) == monday


def test_the_firm_is_loaded_once_and_a_firm_that_is_there_is_kept() -> None:
    Firm.objects.create(name="Plumb Line Post Frame", state="OH")

    assert demo.load_firm(now=WEDNESDAY) is False
    assert not Job.objects.exists()


def test_a_lend_and_a_shop_day_stand_in_the_boards_first_weeks_once() -> None:
    demo.load_firm(now=WEDNESDAY)

    assert demo.arrange_days(now=WEDNESDAY) is True
    assert demo.arrange_days(now=WEDNESDAY) is False
    monday = timezone.localdate(WEDNESDAY) - timedelta(days=2)
    shown = Shown(first_day=monday, days=21, bay_px=42)
    lines = {line.title: line for line in board(shown=shown, now=WEDNESDAY).lines}
    lent = {gap.words for line in lines.values() for gap in line.gaps if gap.kind == "lent"}
    assert lent == {
        "lends 1 to Dogwood crew: Lupe, for the roof",
        "has 1 of Birch crew: Lupe, for the roof",
    }
    assert any(bar.label == "Shop day" for bar in lines["Birch crew"].bars)


def test_nothing_is_reported_from_the_future_wherever_the_week_lies() -> None:
    demo.load_firm(now=WEDNESDAY)

    monday = datetime(2027, 6, 14, 4, tzinfo=UTC)
    assert not Phase.objects.filter(started_at__gte=monday).exists()
    assert not Phase.objects.filter(done_at__gte=monday).exists()


def test_sign_ins_open_and_only_their_owner_reads_the_file(tmp_path: Path) -> None:
    store = tmp_path / "sign-ins.txt"

    made = demo.sign_ins(store=store)

    assert [person.username for person in made] == list(demo.SIGN_IN_ROLES)
    assert all(User.objects.get(username=p.username).check_password(p.password) for p in made)
    assert stat.S_IMODE(store.stat().st_mode) == 0o600
    assert not User.objects.filter(is_superuser=True).exists()


def test_a_second_run_tells_the_same_sign_ins_and_keeps_a_changed_password(tmp_path: Path) -> None:
    store = tmp_path / "sign-ins.txt"
    first = {person.username: person.password for person in demo.sign_ins(store=store)}
    owner = User.objects.get(username="owner")
    owner.set_password("a new one, chosen by hand")
    owner.save()

    second = {person.username: person.password for person in demo.sign_ins(store=store)}

    assert second == first | {"owner": ""}
    owner.refresh_from_db()
    assert owner.check_password("a new one, chosen by hand")


def test_no_account_is_added_beside_those_of_others(tmp_path: Path) -> None:
    StrangerFactory(username="hollis")

    assert demo.sign_ins(store=tmp_path / "a.txt") == []
    assert list(User.objects.values_list("username", flat=True)) == ["hollis"]


def test_the_lead_gets_one_crew(tmp_path: Path) -> None:
    CrewFactory()
    CrewFactory()

    demo.sign_ins(store=tmp_path / "a.txt")
    demo.sign_ins(store=tmp_path / "a.txt")

    assert Crew.objects.filter(lead__username="lead").count() == 1
    other = Crew.objects.exclude(lead__username="lead").get()
    assert other.lead
    assert other.lead.email.endswith("@example.com")
    assert not other.lead.has_usable_password()


def test_each_crews_feed_keeps_its_address() -> None:
    CrewFactory()
    CrewFactory(is_active=False)
    first = demo.readers(now=WEDNESDAY)

    second = demo.readers(now=WEDNESDAY)

    assert [url for _, url in first] == [url for _, url in second]
    assert len(first) == 1
    token = first[0][1].rsplit("/", 1)[1].removesuffix(".ics")
    assert subscription_for(token) is not None


def test_crews_are_told_of_a_gate_a_buyer_to_call_and_their_people() -> None:
    demo.load_firm(now=WEDNESDAY)

    open_jobs = Job.objects.filter(status=Job.Status.SIGNED)
    assert open_jobs.exclude(gate_code="").count() > 3
    assert open_jobs.filter(crew_may_call_buyer=True).exclude(buyer_phone="").count() > 3
    assert not Crew.objects.filter(people_by_name="").exists()
    for crew in Crew.objects.all():
        assert len(crew.people_by_name.split(", ")) == crew.size


def test_the_buyers_page_and_calendars_of_all_kinds_keep_their_addresses(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    now = WEDNESDAY
    # The clock of a database server does not travel.
    monkeypatch.setattr("jobs.services.plan_making.database_now", lambda: now)
    with time_machine.travel(now, tick=False):  # a plan that is published must be of today
        demo.load_firm(now=now)
        demo.publish_a_plan(now=now, budget_seconds=0)
        page, calendars = demo.buyers_page(now=now), demo.calendars_beside_crews(now=now)

        assert demo.buyers_page(now=now) == page
        assert demo.calendars_beside_crews(now=now) == calendars
    assert page is not None
    assert page[0].phases.filter(status=Phase.Status.UNDER_WAY).exists()
    shown = [subscription_for(url[:-4].rpartition("/")[2]) for _, url in calendars]
    kinds = [link.calendar.kind for link in shown if link and link.calendar]
    assert kinds == ["FIRM", "AUTHORITY", "JOB", "BUYER"]
    for link in shown:
        assert link is not None
        # Not every authority comes by within a plan's days.
        is_empty = not link.shows.feed_events.exists()
        assert not is_empty or link.calendar.kind == "AUTHORITY"


def test_the_leads_sign_in_says_that_the_office_pages_stay_closed() -> None:
    people = [demo.SignIn("office", "Office", "a"), demo.SignIn("lead", "Crew lead", "b")]

    office, lead = sign_in_lines(people)

    assert office.endswith("Office")
    assert "no office pages" in lead
