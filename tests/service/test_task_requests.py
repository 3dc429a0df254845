"""Work in the background: claimed by one, tried again with a pause, parked, retried by a person."""

from datetime import datetime, timedelta
from typing import Any

import pytest
from kombu.exceptions import OperationalError as BrokerDown
from pytest_django import DjangoCaptureOnCommitCallbacks

from jobs import tasks
from jobs.models import TaskRequest
from jobs.services import task_requests
from tests.service.portfolio import MONDAY, ZONE

pytestmark = pytest.mark.django_db

Kind, Status = TaskRequest.Kind, TaskRequest.Status


def ask(kind: str = Kind.FEEDS) -> TaskRequest:
    wanted = task_requests.ask(kind=kind, reason="a test", now=MONDAY)
    assert wanted is not None
    return wanted


def status_of(wanted: TaskRequest) -> tuple[str, int]:
    wanted.refresh_from_db()
    return wanted.status, wanted.tries


@pytest.fixture
def always_fails(monkeypatch: pytest.MonkeyPatch) -> list[datetime]:
    runs: list[datetime] = []

    def fails(*, now: datetime, reason: str, progress: Any) -> str:
        runs.append(now)
        raise RuntimeError("the feed is broken")

    monkeypatch.setitem(task_requests.HANDLERS, Kind.FEEDS, fails)
    return runs


def test_a_request_is_claimed_once() -> None:
    wanted = ask()

    names = [task_requests.claim(task_request_id=wanted.pk, now=MONDAY) for _ in range(2)]

    assert names[0] is not None
    assert names[1] is None


def test_a_task_that_fails_waits_twice_as_long_each_time_and_is_then_parked(
    always_fails: list[datetime],
) -> None:
    wanted, now, pauses = ask(), MONDAY, []
    for _ in range(20):
        name = task_requests.claim(task_request_id=wanted.pk, now=now)
        if name is None:
            break
        with pytest.raises(RuntimeError):
            task_requests.run(task_request_id=wanted.pk, claim=name, now=now)
        task_requests.put_back(task_request_id=wanted.pk, claim=name, error="broken", now=now)
        wanted.refresh_from_db()
        pauses.append((wanted.next_try_at - now).total_seconds())
        now = wanted.next_try_at

    assert status_of(wanted) == (Status.PARKED, task_requests.MOST_TRIES)
    assert pauses == [30, 60, 120, 240, 480]
    assert len(always_fails) == task_requests.MOST_TRIES
    assert task_requests.free_stale(now=now + timedelta(days=1)) == []


def test_a_failure_is_kept_with_its_words(always_fails: list[datetime]) -> None:
    wanted = ask()

    tasks.run_task_request(task_request_id=wanted.pk)

    assert status_of(wanted) == (Status.QUEUED, 1)
    assert wanted.error == "RuntimeError: the feed is broken"


def test_a_person_lets_a_parked_task_run_again() -> None:
    wanted = ask()
    TaskRequest.objects.update(status=Status.PARKED, tries=5, error="broken", finished_at=MONDAY)

    assert task_requests.retry(task_request_id=wanted.pk, now=MONDAY)
    assert not task_requests.retry(task_request_id=wanted.pk, now=MONDAY)
    tasks.run_task_request(task_request_id=wanted.pk)

    assert status_of(wanted) == (Status.DONE, 0)
    assert (wanted.error, wanted.progress_percent) == ("", 100)


def test_one_run_answers_all_that_wait_for_the_same() -> None:
    rows = [ask() for _ in range(20)]
    other = ask(Kind.HOLDS)

    tasks.run_task_request(task_request_id=rows[7].pk)

    assert {status_of(row)[0] for row in rows} == {Status.DONE}
    assert status_of(other)[0] == Status.QUEUED


def test_two_of_a_kind_never_run_at_once_and_the_second_follows(
    monkeypatch: pytest.MonkeyPatch,
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    sent: list[int] = []
    monkeypatch.setattr(
        tasks.run_task_request, "delay", lambda **given: sent.append(given["task_request_id"])
    )
    first, other = ask(), ask(Kind.HOLDS)
    later: list[TaskRequest] = []

    def works_while_one_more_is_asked_for(*, now: datetime, reason: str, progress: Any) -> str:
        later.append(ask())
        assert task_requests.claim(task_request_id=later[0].pk, now=now) is None
        assert task_requests.claim(task_request_id=other.pk, now=now) is not None
        return "done"

    monkeypatch.setitem(task_requests.HANDLERS, Kind.FEEDS, works_while_one_more_is_asked_for)
    with django_capture_on_commit_callbacks(execute=True):
        tasks.run_task_request(task_request_id=first.pk)

    assert status_of(first) == (Status.DONE, 0)
    assert status_of(later[0]) == (Status.QUEUED, 0)
    assert sent == [later[0].pk]


def test_one_that_a_dead_worker_holds_keeps_others_of_its_kind_waiting_for_a_while_only() -> None:
    dead, waiting = ask(), ask()
    assert task_requests.claim(task_request_id=dead.pk, now=MONDAY)
    later = MONDAY + task_requests.STALE_AFTER + timedelta(seconds=1)

    assert task_requests.claim(task_request_id=waiting.pk, now=MONDAY) is None
    assert task_requests.claim(task_request_id=waiting.pk, now=later) is not None


def test_what_a_dead_worker_held_is_free_again_and_its_run_changes_nothing_any_more() -> None:
    wanted = ask()
    dead = task_requests.claim(task_request_id=wanted.pk, now=MONDAY)
    assert dead is not None
    later = MONDAY + task_requests.STALE_AFTER + timedelta(seconds=1)

    assert task_requests.free_stale(now=later) == [wanted.pk]
    alive = task_requests.claim(task_request_id=wanted.pk, now=later)
    assert alive is not None
    task_requests.put_back(task_request_id=wanted.pk, claim=dead, error="late", now=later)

    assert status_of(wanted) == (Status.RUNNING, 0)
    assert task_requests.free_stale(now=later) == []


def test_the_morning_is_asked_for_once_a_day_however_many_beats_there_are() -> None:
    early = datetime(2026, 6, 2, 4, 0, tzinfo=ZONE)
    six = datetime(2026, 6, 2, 6, 0, tzinfo=ZONE)

    assert task_requests.ask_for_the_morning(now=early) == []
    first = task_requests.ask_for_the_morning(now=six)
    again = task_requests.ask_for_the_morning(now=six + timedelta(hours=3))

    assert {row.kind for row in first} == {Kind.SLIPS, Kind.HOLDS, Kind.SHEET, Kind.ODDS}
    assert again == []
    assert len(task_requests.ask_for_the_morning(now=six + timedelta(days=1))) == 4


def test_a_broker_that_is_down_leaves_the_request_for_the_sweep(
    monkeypatch: pytest.MonkeyPatch,
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    def down(**given: Any) -> None:
        raise BrokerDown("connection refused")

    monkeypatch.setattr(tasks.run_task_request, "delay", down)
    with django_capture_on_commit_callbacks(execute=True):
        tasks.enqueue_task(kind=Kind.FEEDS, reason="a test")
    wanted = TaskRequest.objects.get()

    later = wanted.requested_at + timedelta(minutes=2)
    assert task_requests.free_stale(now=later) == [wanted.pk]
