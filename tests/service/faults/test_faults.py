"""Killed workers, a dead Redis, doubled messages, wrong clocks: nothing lost, nothing doubled."""

import json
import subprocess
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.db import connection
from django.utils import timezone

from crews.models import Crew, FeedEvent
from jobs import tasks
from jobs.models import (
    Booking,
    Delivery,
    Notice,
    Phase,
    Plan,
    PlanRequest,
    ReplanProposal,
    Slip,
    TaskRequest,
)
from jobs.services import notices, outbox, pinning, planning, publishing, rain, task_requests
from tests.factories import CrewLeadFactory, OfficeFactory, OwnerFactory
from tests.processes import wait_for
from tests.service.faults.conftest import OwnRedis, Start, send
from tests.service.mail import Inbox
from tests.service.portfolio import make_firm, make_job

pytestmark = [pytest.mark.services, pytest.mark.django_db(transaction=True)]

Child = Callable[..., "subprocess.Popen[str]"]
Kind, Status = TaskRequest.Kind, TaskRequest.Status


@pytest.fixture
def published() -> Plan:
    """A published plan of three jobs for two crews with leads, at this very moment."""
    for number, crew in enumerate(make_firm(crews=2)):
        crew.lead = CrewLeadFactory(username=f"lead{number}", email=f"lead{number}@firm.example")
        crew.save()
    OfficeFactory(username="ann", email="ann@firm.example")
    OwnerFactory(username="ole", email="ole@firm.example")
    for number in range(3):
        make_job(number=f"26-{number:03d}", promised_on=None)
    plan = planning.plan_now(now=timezone.now(), budget_seconds=0)
    done = publishing.publish(plan_id=plan.pk, now=timezone.now()).plan
    Notice.objects.all().delete()
    return done


def late_trusses(days: int = 60) -> None:
    Delivery.objects.filter(job__number="26-000", item="TRUSSES").update(
        arrived_on=None, promised_on=timezone.localdate() + timedelta(days=days)
    )


def draft_with_moves() -> Plan:
    late_trusses()
    draft = planning.repair_now(reason="a test", now=timezone.now()).base
    assert draft is not None
    PlanRequest.objects.all().delete()
    return draft


def due_notice(event: str = "plan:1", **columns: Any) -> Notice:
    ann = User.objects.get(username="ann")
    moment = timezone.now() - timedelta(minutes=1)
    given = {"made_at": moment, "next_try_at": moment} | columns
    return Notice.objects.create(
        event=event,
        person=f"user:{ann.pk}",
        user=ann,
        kind=Notice.Kind.PLAN,
        name="Ann",
        email=ann.email,
        subject="Your plan has changed",
        body="Something moved",
        **given,
    )


def ask(kind: str) -> TaskRequest:
    wanted = task_requests.ask(kind=kind, reason="a test", now=timezone.now())
    assert wanted is not None
    return wanted


def grow_old(wanted: TaskRequest) -> None:
    """Make a claim as old as one of a worker that died."""
    old = timezone.now() - task_requests.STALE_AFTER - timedelta(seconds=1)
    TaskRequest.objects.filter(pk=wanted.pk).update(claimed_at=old)


def is_done(wanted: TaskRequest) -> bool:
    wanted.refresh_from_db()
    return wanted.status == Status.DONE


def snapshot() -> dict[str, list[Any]]:
    """Return all that publishing writes."""
    return {
        "plans": list(Plan.objects.order_by("id").values_list("id", "status")),
        "live": sorted(Booking.objects.filter(is_live=True).values_list("id", flat=True)),
        "feed": list(FeedEvent.objects.order_by("id").values_list("id", "sequence", "starts_at")),
        "notices": list(Notice.objects.order_by("id").values_list("event", "person")),
    }


def check_what_is_never_true() -> None:
    """Design, section 5: rules 1, 5 and 8, as far as rows tell, and no claim left behind."""
    live = list(
        Booking.objects.filter(is_live=True, crew__isnull=False).order_by("crew", "starts_at")
    )
    for before, after in pairwise(live):
        assert before.crew_id != after.crew_id or before.ends_at <= after.starts_at
    assert Plan.objects.filter(status=Plan.Status.PUBLISHED).count() <= 1
    assert {row.plan.status for row in live} <= {Plan.Status.PUBLISHED}
    told = Counter(Notice.objects.values_list("event", "person", "kind"))
    assert all(number == 1 for number in told.values())
    work = {(row.crew_id, f"phase:{row.phase_id}") for row in live}
    visits = Phase.objects.filter(code__endswith="_INSPECTION").values_list("pk", flat=True)
    shown = FeedEvent.objects.filter(is_dropped=False, source__startswith="phase:")
    by_crews = shown.exclude(source__in=[f"phase:{pk}" for pk in visits])
    assert set(by_crews.values_list("crew", "source")) == work
    running = TaskRequest.objects.filter(status=Status.RUNNING)
    wait_for(lambda: not running.exists(), "no run is left behind")


def test_a_worker_killed_while_it_compares_loses_no_slip_and_doubles_none(
    published: Plan, own_redis: OwnRedis, start_worker: Start, tmp_path: Path
) -> None:
    late_trusses()
    wanted = ask(Kind.SLIPS)
    mark = tmp_path / "paused"
    where = {"PAUSE_AT": "jobs.services.slips:_end_recovered", "PAUSE_FILE": str(mark)}
    doomed = start_worker(**where)
    send(own_redis, tasks.run_task_request, task_request_id=wanted.pk)
    wait_for(mark.exists, "the worker is in the middle of storing")
    doomed.kill()
    wanted.refresh_from_db()
    assert wanted.status == Status.RUNNING
    assert not Slip.objects.exists()

    grow_old(wanted)
    start_worker()
    send(own_redis, tasks.sweep_task_requests)

    wait_for(lambda: is_done(wanted), "the sweep has it done")
    assert Slip.objects.count() == 1
    assert Notice.objects.filter(kind=Notice.Kind.SLIP).count() == 1
    check_what_is_never_true()


def test_a_process_killed_in_mid_publish_has_published_nothing(
    published: Plan, run_child: Child, tmp_path: Path
) -> None:
    draft = draft_with_moves()
    before = snapshot()
    mark = tmp_path / "paused"
    child = run_child(
        "publish",
        draft.pk,
        PAUSE_AT="jobs.services.notices:tell_of_plan",
        PAUSE_AFTER="1",
        PAUSE_FILE=str(mark),
    )
    wait_for(mark.exists, "bookings, feed and notices are written")
    child.kill()
    child.communicate()

    assert snapshot() == before
    check_what_is_never_true()
    answer = json.loads(run_child("publish", draft.pk).communicate()[0])
    assert answer == {"plan": draft.pk}
    assert Notice.objects.filter(event=f"plan:{draft.pk}").exists()
    check_what_is_never_true()


def test_a_worker_killed_while_it_brings_calendars_in_step_leaves_them_whole(
    published: Plan, own_redis: OwnRedis, start_worker: Start, tmp_path: Path
) -> None:
    late_trusses()
    before = snapshot()
    wanted = ask(Kind.FEEDS)
    mark = tmp_path / "paused"
    doomed = start_worker(
        PAUSE_AT="jobs.services.publishing:replace_feed_events",
        PAUSE_AFTER="1",
        PAUSE_FILE=str(mark),
    )
    send(own_redis, tasks.run_task_request, task_request_id=wanted.pk)
    wait_for(mark.exists, "the events are written")
    doomed.kill()
    assert snapshot() == before

    grow_old(wanted)
    start_worker()
    send(own_redis, tasks.sweep_task_requests)

    wait_for(lambda: is_done(wanted), "the sweep has it done")
    check_what_is_never_true()


@pytest.mark.parametrize("after", ["", "1"], ids=["before the server had it", "after"])
def test_a_worker_killed_in_mid_notice_tells_once(
    after: str,
    published: Plan,
    own_redis: OwnRedis,
    start_worker: Start,
    inbox: Inbox,
    tmp_path: Path,
) -> None:
    """After the server had it, the same message comes again under the same Message-ID."""
    for number in range(3):
        due_notice(f"plan:{number}")
    mark = tmp_path / "paused"
    doomed = start_worker(
        PAUSE_AT="django.core.mail:EmailMessage.send", PAUSE_AFTER=after, PAUSE_FILE=str(mark)
    )
    send(own_redis, tasks.send_notices)
    wait_for(mark.exists, "the worker is about to send")
    doomed.kill()
    assert Notice.objects.filter(state=Notice.State.WAITING, claimed_at__isnull=False).count() == 3

    start_worker()
    send(own_redis, tasks.send_notices)
    Notice.objects.update(claimed_at=timezone.now() - outbox.STALE_AFTER - timedelta(seconds=1))
    send(own_redis, tasks.send_notices)

    wait_for(lambda: Notice.objects.filter(state=Notice.State.SENT).count() == 3, "all are sent")
    assert len({str(message["Message-ID"]) for message in inbox.messages}) == 1
    assert len(inbox.messages) == (2 if after else 1)
    assert all(f"{3} things" in str(message["Subject"]) for message in inbox.messages)


def test_a_form_is_saved_while_redis_is_down_and_its_work_is_done_once_it_is_back_empty(
    published: Plan, own_redis: OwnRedis, start_worker: Start, run_child: Child
) -> None:
    own_redis.stop()

    answer = json.loads(run_child("save_a_job", "26-000").communicate()[0])

    assert answer == {"status": 302}
    assert Phase.objects.get(job__number="26-000", code="PUNCH").office_hours == 9
    assert PlanRequest.objects.filter(status=PlanRequest.Status.QUEUED).count() == 1
    waiting = list(TaskRequest.objects.filter(status=Status.QUEUED))
    assert waiting
    own_redis.start()
    start_worker()
    minute = timedelta(minutes=2)
    PlanRequest.objects.update(requested_at=timezone.now() - minute, budget_seconds=0)
    TaskRequest.objects.update(next_try_at=timezone.now() - minute)
    send(own_redis, tasks.sweep_plan_requests)
    send(own_redis, tasks.sweep_task_requests)

    wait_for(
        lambda: not PlanRequest.objects.exclude(status=PlanRequest.Status.DONE).exists(),
        "the plan is made",
    )
    for wanted in waiting:
        wait_for(lambda wanted=wanted: is_done(wanted), "the task is done")
    check_what_is_never_true()


def test_a_worker_goes_on_after_redis_was_restarted_empty(
    published: Plan, own_redis: OwnRedis, start_worker: Start
) -> None:
    first = ask(Kind.FEEDS)
    start_worker()
    send(own_redis, tasks.run_task_request, task_request_id=first.pk)
    wait_for(lambda: is_done(first), "the worker works")
    own_redis.stop()
    late_trusses()
    lost = ask(Kind.SLIPS)
    own_redis.start()
    TaskRequest.objects.filter(pk=lost.pk).update(next_try_at=timezone.now() - timedelta(minutes=2))

    def swept() -> bool:
        send(own_redis, tasks.sweep_task_requests)
        return is_done(lost)

    wait_for(swept, "the sweep has it done")
    assert Slip.objects.count() == 1
    check_what_is_never_true()


def test_the_same_messages_at_the_same_time_do_their_work_once(
    published: Plan, own_redis: OwnRedis, start_worker: Start, inbox: Inbox
) -> None:
    late_trusses()
    wanted = ask(Kind.SLIPS)
    plan_request = planning.request_plan(reason="a test", now=timezone.now(), budget_seconds=0)
    due_notice()
    drafts = Plan.objects.count()
    for _ in range(6):
        send(own_redis, tasks.run_task_request, task_request_id=wanted.pk)
        send(own_redis, tasks.make_plan, plan_request_id=plan_request.pk)
        send(own_redis, tasks.send_notices)

    start_worker(concurrency=2)
    start_worker(concurrency=2)

    wait_for(lambda: is_done(wanted), "compared")
    wait_for(
        lambda: PlanRequest.objects.get(pk=plan_request.pk).status == "DONE", "the plan is made"
    )
    wait_for(lambda: Notice.objects.get(event="plan:1").state == Notice.State.SENT, "sent")
    wait_for(lambda: queue_length(own_redis) == 0, "all messages are taken")
    assert Slip.objects.count() == 1
    assert PlanRequest.objects.filter(pk=plan_request.pk, plan__isnull=False).count() == 1
    assert Plan.objects.count() - drafts <= 2  # the proposal's draft, and the plan asked for
    assert len(inbox.to("ann@firm.example")) == 1
    check_what_is_never_true()


def test_a_worker_whose_clock_is_an_hour_ahead_sends_nothing_early_and_takes_nothing_away(
    published: Plan, own_redis: OwnRedis, start_worker: Start, inbox: Inbox
) -> None:
    soon = due_notice("plan:1", next_try_at=timezone.now() + timedelta(minutes=30))
    due = due_notice("plan:2")
    held = ask(Kind.HOLDS)
    assert task_requests.claim(task_request_id=held.pk, now=timezone.now())
    late_trusses()
    wanted = ask(Kind.SLIPS)
    start_worker(CLOCK_AHEAD="3600")

    for task in (tasks.sweep_task_requests, tasks.send_notices, tasks.heartbeat):
        send(own_redis, task)
    send(own_redis, tasks.run_task_request, task_request_id=wanted.pk)

    wait_for(lambda: is_done(wanted), "compared")
    wait_for(
        lambda: Notice.objects.get(pk=due.pk).state == Notice.State.SENT, "what is due is sent"
    )
    soon.refresh_from_db()
    held.refresh_from_db()
    assert soon.state == Notice.State.WAITING
    assert held.status == Status.RUNNING
    assert Slip.objects.get().found_at < timezone.now()
    assert abs(Notice.objects.get(pk=due.pk).sent_at - timezone.now()) < timedelta(minutes=5)  # type: ignore[operator]


def test_a_task_that_always_fails_is_seen_paused_parked_and_run_by_a_person(
    published: Plan, own_redis: OwnRedis, start_worker: Start
) -> None:
    wanted = ask(Kind.FEEDS)
    broken = start_worker(FAIL_KIND=Kind.FEEDS)
    for tries in range(1, task_requests.MOST_TRIES + 1):
        send(own_redis, tasks.run_task_request, task_request_id=wanted.pk)
        wait_for(
            lambda tries=tries: TaskRequest.objects.get(pk=wanted.pk).tries == tries, "it failed"
        )
        wanted.refresh_from_db()
        assert wanted.next_try_at > timezone.now()
        assert "this task always fails" in wanted.error
        send(own_redis, tasks.run_task_request, task_request_id=wanted.pk)  # not due: nothing
        TaskRequest.objects.filter(pk=wanted.pk).update(next_try_at=timezone.now())
    wanted.refresh_from_db()
    assert (wanted.status, wanted.tries) == (Status.PARKED, task_requests.MOST_TRIES)
    broken.kill()

    assert task_requests.retry(task_request_id=wanted.pk, now=timezone.now())
    start_worker()
    send(own_redis, tasks.run_task_request, task_request_id=wanted.pk)

    wait_for(lambda: is_done(wanted), "a person let it run")


def at_once(does: Callable[[int], str], number: int) -> list[str]:
    """Run it in so many threads that begin together, each with a connection of its own."""

    def run(index: int) -> str:
        try:
            return does(index)
        finally:
            connection.close()

    with ThreadPoolExecutor(number) as pool:
        return list(pool.map(run, range(number)))


def test_of_two_who_publish_at_once_one_wins_and_the_other_reads_why(published: Plan) -> None:
    draft = draft_with_moves()

    def publish(index: int) -> str:
        try:
            publishing.publish(plan_id=draft.pk, now=timezone.now())
        except publishing.PublishRefused as refusal:
            return str(refusal)
        return ""

    answers = at_once(publish, 2)

    assert sorted(bool(answer) for answer in answers) == [False, True]
    assert "not a draft" in max(answers)
    told = notices.Notice.objects.filter(event=f"plan:{draft.pk}")
    assert told.count() == told.values("person").distinct().count() > 0
    check_what_is_never_true()


def test_of_twenty_who_book_one_crew_at_one_time_exactly_one_wins(published: Plan) -> None:
    crew = Crew.objects.earliest("id")
    last = Booking.objects.filter(is_live=True).latest("ends_at")
    day = timezone.localtime(last.ends_at) + timedelta(days=(7 - last.ends_at.weekday()) % 7 + 7)
    start = day.replace(hour=8, minute=0, second=0, microsecond=0)
    for number in range(3, 21):
        make_job(number=f"26-{number:03d}", promised_on=None)
    phases = list(Phase.objects.filter(code="PUNCH", status="OPEN").order_by("id")[:20])

    def book(index: int) -> str:
        try:
            pinning.pin(
                phase_id=phases[index].pk, crew_id=crew.pk, starts_at=start, now=timezone.now()
            )
        except pinning.PinRefused as refusal:
            return str(refusal)
        return ""

    answers = at_once(book, 20)

    assert answers.count("") == 1, answers
    assert all(answer.startswith("This pin cannot be kept") for answer in answers if answer)
    assert Phase.objects.filter(pinned_start_at=start, pinned_crew=crew).count() == 1
    check_what_is_never_true()


def test_of_two_who_press_for_rain_at_once_both_see_the_one_proposal(published: Plan) -> None:
    crews = list(Crew.objects.values_list("pk", flat=True))

    def press(index: int) -> int:
        now = timezone.now()
        return rain.rain_day(day=timezone.localdate(now), crews=crews, now=now).pk

    answers = at_once(press, 2)

    assert set(answers) == {ReplanProposal.objects.get(state="OPEN").pk}
    check_what_is_never_true()


def queue_length(own_redis: OwnRedis) -> int:
    import redis

    client = redis.Redis.from_url(own_redis.url)
    try:
        return int(client.llen("celery")) + int(client.hlen("unacked"))  # type: ignore[arg-type]
    finally:
        client.close()
