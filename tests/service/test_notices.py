"""Notices: exactly the people affected, each once, in one message at the firm's hour."""

import smtplib
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from random import Random
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.core.mail import EmailMessage
from django.utils import timezone

from crews.models import Crew, Firm
from jobs import tasks
from jobs.models import Booking, Delivery, Job, Notice, Plan, Slip
from jobs.selectors import plans
from jobs.services import morning_sheet, notices, outbox, planning, proposals, publishing, slips
from tests.bench.notices import affected, random_facts
from tests.factories import CrewLeadFactory, DayOffFactory, OfficeFactory, OwnerFactory
from tests.service.mail import Inbox, mail_server
from tests.service.portfolio import MONDAY, ZONE, cover_digging, make_firm, make_job

pytestmark = pytest.mark.django_db

HOUR = datetime(2026, 6, 1, 16, 0, tzinfo=ZONE)


def leads_of(crews: Any) -> None:
    """Give each crew a lead with an address."""
    for number, crew in enumerate(crews):
        crew.lead = CrewLeadFactory(username=f"lead{number}", email=f"lead{number}@firm.example")
        crew.save()


@pytest.fixture
def crews() -> list[Crew]:
    rows = list(make_firm(crews=2))
    leads_of(rows)
    OfficeFactory(username="ann", email="ann@firm.example")
    OwnerFactory(username="ole", email="ole@firm.example")
    return rows


@pytest.fixture
def published(crews: list[Crew]) -> Plan:
    for number in ("26-001", "26-002"):
        cover_digging(make_job(number=number))
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    done = publishing.publish(plan_id=plan.pk, now=MONDAY).plan
    Notice.objects.all().delete()
    return done


@pytest.fixture
def inbox(settings: Any) -> Iterator[Inbox]:
    with mail_server() as server:
        settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
        settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", server.port
        yield server


def late_trusses(number: str, day: date) -> None:
    Delivery.objects.filter(job__number=number, item="TRUSSES").update(
        arrived_on=None, promised_on=day
    )


def replan() -> Plan:
    plan = planning.repair_now(reason="a test", now=MONDAY).base
    assert plan is not None
    return publishing.publish(plan_id=plan.pk, now=MONDAY).plan


def people(**given: Any) -> set[str]:
    return set(Notice.objects.filter(**given).values_list("email", flat=True))


def make_notice(person: str = "user:1", event: str = "plan:1", **columns: Any) -> Notice:
    given = {
        "email": "ann@firm.example",
        "name": "Ann",
        "kind": Notice.Kind.PLAN,
        "subject": "Your plan has changed",
        "body": "Frame walls, job 26-001: moved",
        "made_at": MONDAY,
        "next_try_at": HOUR,
    } | columns
    return Notice.objects.create(person=person, event=event, **given)


def send_all(now: datetime = HOUR) -> list[outbox.Sent | None]:
    return [outbox.send_due(person=person, now=now) for person in outbox.people_due(now=now)]


def test_a_first_plan_is_told_to_each_crew_that_is_in_it(crews: list[Crew]) -> None:
    cover_digging(make_job(number="26-001"))
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=MONDAY)

    booked = set(
        Booking.objects.filter(plan=plan, crew__isnull=False).values_list("crew", flat=True)
    )
    assert people() == {crew.lead.email for crew in Crew.objects.filter(pk__in=booked) if crew.lead}


def test_a_plan_that_moves_nothing_tells_nobody(published: Plan) -> None:
    replan()

    assert not Notice.objects.exists()


def test_a_move_is_told_to_the_lead_whose_work_moves_and_to_no_other(published: Plan) -> None:
    late_trusses("26-001", date(2026, 7, 10))

    plan = replan()

    moved = plans.comparison(plan, published).moved
    crews = {name for move in moved for name in (move.old_crew, move.new_crew)} - {""}
    leads = {crew.lead.email for crew in Crew.objects.filter(name__in=crews) if crew.lead}
    assert people() == leads
    assert "becomes" in Notice.objects.first().body  # type: ignore[union-attr]


def test_publishing_that_fails_tells_nobody(
    published: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    late_trusses("26-001", date(2026, 7, 10))
    plan = planning.repair_now(reason="a test", now=MONDAY).base
    assert plan is not None

    def broken(**given: Any) -> int:
        notices_written.append(tell(**given))
        raise RuntimeError("killed")

    tell, notices_written = notices.tell_of_plan, list[int]()
    monkeypatch.setattr(publishing.notices, "tell_of_plan", broken)
    with pytest.raises(RuntimeError):
        publishing.publish(plan_id=plan.pk, now=MONDAY)

    assert notices_written
    assert notices_written[0] > 0
    assert not Notice.objects.exists()
    plan.refresh_from_db()
    assert plan.status == Plan.Status.DRAFT


def test_a_buyer_is_told_only_where_the_office_wants_it(published: Plan) -> None:
    Job.objects.filter(number="26-001").update(tells_buyer=True, buyer_email="b1@home.example")
    Job.objects.filter(number="26-002").update(buyer_email="b2@home.example")
    for number in ("26-001", "26-002"):
        late_trusses(number, date(2026, 7, 10))

    replan()

    assert people(person__startswith="buyer:") == {"b1@home.example"}
    body = Notice.objects.get(person__startswith="buyer:").body
    assert "Fence Row Road" in body
    assert "48500" not in body


def test_one_person_in_two_roles_is_told_once(published: Plan) -> None:
    ann = User.objects.get(username="ann")
    Crew.objects.update(lead=ann)
    Job.objects.update(promised_on=date(2026, 6, 12))
    late_trusses("26-001", date(2026, 7, 10))

    replan()

    assert Notice.objects.filter(user=ann, kind=Notice.Kind.PLAN).count() == 1


def test_without_an_address_a_notice_is_parked_and_says_what_to_do(published: Plan) -> None:
    User.objects.filter(username__startswith="lead").update(email="")
    late_trusses("26-001", date(2026, 7, 10))

    replan()

    row = Notice.objects.filter(kind=Notice.Kind.PLAN).earliest("id")
    assert row.state == Notice.State.PARKED
    assert "No e-mail address is entered" in row.error
    assert not notices.retry(notice_id=row.pk, now=MONDAY)
    User.objects.filter(pk=row.user_id).update(email="new@firm.example")
    assert notices.retry(notice_id=row.pk, now=MONDAY)
    row.refresh_from_db()
    assert (row.state, row.email) == (Notice.State.WAITING, "new@firm.example")


def test_a_slip_is_told_to_the_office_and_to_the_owner_where_it_breaks_a_promise(
    published: Plan,
) -> None:
    late_trusses("26-001", date(2026, 7, 10))
    slips.compare_published(now=MONDAY, trigger="a test")
    assert people(kind=Notice.Kind.SLIP) == {"ann@firm.example"}
    Notice.objects.all().delete()

    Job.objects.filter(number="26-002").update(promised_on=date(2026, 6, 25))
    late_trusses("26-002", date(2026, 7, 10))
    slips.compare_published(now=MONDAY + timedelta(minutes=15), trigger="a test")

    assert people(kind=Notice.Kind.SLIP) == {"ann@firm.example", "ole@firm.example"}
    slips.compare_published(now=MONDAY + timedelta(minutes=30), trigger="a test")
    assert Notice.objects.filter(kind=Notice.Kind.SLIP).count() == 2


def test_notices_are_for_exactly_the_people_affected_by_random_slips(crews: list[Crew]) -> None:
    """
    Who is affected is told here from the bookings alone, another way than the service goes.

    tests/bench/notices.py does the same fifty times.
    """
    for number in range(4):
        cover_digging(make_job(number=f"26-{number:03d}", promised_on=date(2026, 6, 30)))
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=MONDAY)
    rng = Random(5)
    for number in range(4):
        before = plans.published_plan()
        assert before is not None
        now = MONDAY + timedelta(minutes=15 * number)
        random_facts(rng, now)
        draft = planning.repair_now(reason="a test", now=now).base
        assert draft is not None
        publishing.publish(plan_id=draft.pk, now=now)
        told = set(Notice.objects.filter(event=f"plan:{draft.pk}").values_list("person", flat=True))
        assert told == affected(before, draft)


@pytest.mark.parametrize(
    ("now", "begins", "told"),
    [
        ("2026-06-01 10:00", "2026-06-02 07:00", "2026-06-01 16:00"),
        ("2026-06-01 10:00", "2026-06-05 07:00", "2026-06-01 16:00"),
        ("2026-06-01 10:00", "2026-06-01 13:00", "2026-06-01 10:00"),
        ("2026-06-01 17:00", "2026-06-02 07:00", "2026-06-01 17:00"),
        ("2026-06-01 20:00", "2026-06-02 07:00", "2026-06-02 06:00"),
        ("2026-06-02 02:00", "2026-06-02 07:00", "2026-06-02 06:00"),
        ("2026-06-01 20:00", "2026-06-05 07:00", "2026-06-02 16:00"),
        ("2026-10-31 20:00", "2026-11-01 07:00", "2026-11-01 06:00"),
    ],
)
def test_what_is_told_goes_out_at_the_firms_hour_or_sooner_and_never_at_night(
    now: str, begins: str, told: str
) -> None:
    house = Firm(name="x", notice_hour=time(16), quiet_from=time(19), quiet_until=time(6))

    def at(text: str) -> datetime:
        return datetime.fromisoformat(text).replace(tzinfo=ZONE)

    assert notices.when(house, at(now), at(begins)) == at(told)


def test_each_person_gets_one_message_with_all_that_is_due(inbox: Inbox) -> None:
    for number in range(3):
        make_notice(event=f"plan:{number}", body=f"Thing {number}")
    make_notice(person="user:2", email="bo@firm.example", name="Bo")
    make_notice(event="plan:9", next_try_at=HOUR + timedelta(hours=1), body="Later")

    send_all()

    (ann,) = inbox.to("ann@firm.example")
    assert ann["Subject"] == "3 things that are new for you"
    text = ann.get_content()
    assert all(f"Thing {number}" in text for number in range(3))
    assert "Later" not in text
    assert "engineer's drawings" in text
    assert len(inbox.to("bo@firm.example")) == 1
    assert Notice.objects.filter(state=Notice.State.SENT).count() == 4


def test_a_message_is_as_the_standards_say(inbox: Inbox) -> None:
    """Parsed by the standard library; RFC 5322, sections 3.6.1 to 3.6.5: date, from, to, id."""
    row = make_notice(name="Åsa", subject="Job 26-001: “Roof” moves – Mon", body="Über 40 × 60")

    send_all()

    (message,) = inbox.messages
    row.refresh_from_db()
    assert message["Subject"] == "Job 26-001: “Roof” moves – Mon"
    assert "Über 40 × 60" in message.get_content()
    assert message["Message-ID"] == f"<{row.message_id}@localhost>"
    assert message["From"].addresses[0].addr_spec == "office@localhost"
    assert message["Date"].datetime is not None


def test_a_subject_cannot_carry_another_header(inbox: Inbox) -> None:
    make_notice(subject="Roof\nBcc: all@firm.example")

    (sent,) = send_all()

    assert sent is not None
    assert inbox.messages == []
    assert "BadHeaderError" in sent.error
    assert Notice.objects.get().state == Notice.State.PARKED


def test_a_server_that_is_away_is_tried_again_with_longer_pauses_and_then_parked(
    settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def away(self: EmailMessage, fail_silently: bool = False) -> int:
        raise ConnectionRefusedError("refused")

    monkeypatch.setattr(EmailMessage, "send", away)
    row, now, pauses = make_notice(), HOUR, []
    while row.state == Notice.State.WAITING:
        assert outbox.send_due(person="user:1", now=now)
        row.refresh_from_db()
        pauses.append((row.next_try_at - now).total_seconds() / 60)
        now = row.next_try_at

    assert row.state == Notice.State.PARKED
    assert pauses == [1, 2, 4, 8, 16, 32]
    assert row.error == "ConnectionRefusedError: refused"


def test_an_address_that_is_refused_for_good_is_parked_at_once_and_others_go_out(
    inbox: Inbox,
) -> None:
    """RFC 5321, section 4.2.1: a 5yz answer is permanent, a 4yz one passes."""
    inbox.refuses = {"no@firm.example": "550 No such user", "busy@firm.example": "451 Try later"}
    no = make_notice(person="user:1", email="no@firm.example")
    busy = make_notice(person="user:2", email="busy@firm.example")
    well = make_notice(person="user:3", email="well@firm.example")

    send_all()

    states = []
    for row in (no, busy, well):
        row.refresh_from_db()
        states.append(row.state)
    assert states == [Notice.State.PARKED, Notice.State.WAITING, Notice.State.SENT]


def test_what_is_tried_again_is_the_same_message_and_what_came_since_is_another(
    inbox: Inbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_notice(event="plan:1", body="First")
    send = EmailMessage.send

    def lost(self: EmailMessage, fail_silently: bool = False) -> int:
        raise smtplib.SMTPServerDisconnected("lost")

    monkeypatch.setattr(EmailMessage, "send", lost)
    send_all()
    name = Notice.objects.get().message_id
    monkeypatch.setattr(EmailMessage, "send", send)
    make_notice(event="plan:2", body="Second")

    later = HOUR + timedelta(minutes=5)
    send_all(later)
    send_all(later)

    ids = [str(message["Message-ID"]) for message in inbox.messages]
    assert len(ids) == 2
    assert ids[0] == f"<{name}@localhost>"
    assert "Second" not in inbox.messages[0].get_content()


def test_sending_twice_sends_once(inbox: Inbox) -> None:
    make_notice()

    for _ in range(2):
        outbox.send_due(person="user:1", now=HOUR)

    assert len(inbox.messages) == 1


def test_a_claim_keeps_others_out_until_it_is_old(inbox: Inbox) -> None:
    make_notice(claimed_at=HOUR)

    assert send_all(HOUR + timedelta(minutes=5)) == []
    assert len(send_all(HOUR + outbox.STALE_AFTER + timedelta(seconds=1))) == 1


def test_the_task_sends_what_is_due(inbox: Inbox) -> None:
    make_notice(next_try_at=timezone.now() - timedelta(minutes=1))

    tasks.send_notices()

    assert len(inbox.messages) == 1


def test_the_morning_sheet_goes_to_the_office_once_a_day(published: Plan, inbox: Inbox) -> None:
    late_trusses("26-001", date(2026, 7, 10))
    slips.compare_published(now=MONDAY, trigger="a test")
    Notice.objects.all().delete()
    five = MONDAY.replace(hour=5, minute=20) + timedelta(days=1)

    assert morning_sheet.write_sheet(now=five) == 1
    assert morning_sheet.write_sheet(now=five + timedelta(hours=4)) == 0
    send_all(five.replace(hour=6, minute=0))

    (sheet,) = inbox.messages
    assert sheet["Subject"] == "Morning sheet, Tue Jun 2"
    text = sheet.get_content()
    assert "Slips (1)" in text
    assert "Deliveries to confirm" in text or "Material" in text
    begun = Booking.objects.filter(is_live=True, starts_at__lt=five, phase__code="LAYOUT").first()
    assert begun
    assert "Reports missing" in text
    assert f"{begun.crew}, job {begun.phase.job.number}: Layout should have begun Mon Jun 1" in text


def test_dropping_a_proposal_needs_a_reason_and_accepting_publishes(published: Plan) -> None:
    late_trusses("26-001", date(2026, 7, 10))
    row = proposals.propose(reason="late trusses", now=MONDAY)
    with pytest.raises(ValueError, match="say why"):
        proposals.drop(proposal_id=row.pk, reason=" ", now=MONDAY)

    done = proposals.accept(proposal_id=row.pk, plan_id=row.plan.pk, now=MONDAY)

    row.refresh_from_db()
    assert done.plan == row.plan
    assert row.state == "ACCEPTED"
    with pytest.raises(proposals.AlreadyDecided):
        proposals.drop(proposal_id=row.pk, reason="too late", now=MONDAY)


def test_a_dropped_proposal_leaves_the_published_plan_and_its_reason(published: Plan) -> None:
    late_trusses("26-001", date(2026, 7, 10))
    row = proposals.propose(reason="late trusses", now=MONDAY)

    proposals.drop(proposal_id=row.pk, reason="The yard found trusses", now=MONDAY)

    row.refresh_from_db()
    assert (row.state, row.drop_reason) == ("DROPPED", "The yard found trusses")
    assert plans.published_plan() == published
    assert plans.latest_draft() is None


def test_there_is_one_proposal_at_a_time_with_the_newest_draft(published: Plan) -> None:
    late_trusses("26-001", date(2026, 7, 10))
    first = proposals.propose(reason="late trusses", now=MONDAY)
    DayOffFactory(first_day=date(2026, 6, 10), reason="Fair")

    second = proposals.propose(reason="the fair", now=MONDAY + timedelta(minutes=15))

    assert second.pk == first.pk
    assert second.plan != first.plan
    assert second.reason == "the fair; late trusses"
    with pytest.raises(proposals.AlreadyDecided, match="Look at it again"):
        proposals.accept(proposal_id=first.pk, plan_id=first.plan.pk, now=MONDAY)


def test_a_plan_that_is_published_beside_a_proposal_overtakes_it(published: Plan) -> None:
    late_trusses("26-001", date(2026, 7, 10))
    row = proposals.propose(reason="late trusses", now=MONDAY)
    other = planning.plan_now(now=MONDAY, budget_seconds=0)

    publishing.publish(plan_id=other.pk, now=MONDAY)

    row.refresh_from_db()
    assert row.state == "OVERTAKEN"
    assert not Slip.objects.filter(ended_at=None).exists()
