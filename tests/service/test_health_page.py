"""Is it running: each wrong state is told in words, with what to press or which command to run."""

import json
from collections.abc import Callable
from datetime import timedelta
from io import StringIO
from types import SimpleNamespace
from typing import Any

import pytest
from django.contrib.auth.models import AbstractUser
from django.core.management import call_command
from django.db import OperationalError, connection
from django.db.migrations.recorder import MigrationRecorder
from django.test import Client
from django.utils import timezone

from contractor.health import facts
from contractor.health.lines import State, lines
from inspections.models import WeatherArea
from jobs.models import Forecast, Heartbeat, Notice, Plan, PlanRequest, TaskRequest
from jobs.selectors import running
from jobs.services import heartbeats

pytestmark = pytest.mark.django_db

PAGE = "/admin/health/"


def found() -> dict[str, Any]:
    return {line.key: line for line in lines(facts.gather())}


def ago(**span: float) -> Any:
    return timezone.now() - timedelta(**span)


def beat(*, minutes_ago: float = 0, host: str = "shop-1", clock_ahead: float = 0) -> None:
    at = ago(minutes=minutes_ago)
    heartbeats.beat(host=host, now=at, own_now=at + timedelta(seconds=clock_ahead))


def two_hosts(*, silent: str) -> None:
    beat(host=silent, minutes_ago=90)
    beat()


def all_well() -> None:
    beat()
    heartbeats.note_backup(now=ago(hours=1))
    plan = Plan.objects.create(
        status="PUBLISHED",
        as_of=ago(hours=3),
        made_at=ago(hours=3),
        published_at=ago(hours=2),
        source="greedy",
        seconds=1,
    )
    Forecast.objects.create(
        plan=plan, status="DONE", as_of=ago(hours=2), made_at=ago(hours=2), draws=10
    )


def parked(**given: Any) -> TaskRequest:
    row = {"kind": "FEEDS", "reason": "field reports", "status": "PARKED"}
    moments = {"requested_at": ago(hours=1), "next_try_at": ago(hours=1)}
    return TaskRequest.objects.create(**{**row, **moments, "error": "KeyError: 4", **given})


def notice(**given: Any) -> Notice:
    row = {"event": "e", "person": "user:1", "kind": "PLAN", "email": "a@b.example"}
    moments = {"made_at": ago(hours=1), "next_try_at": ago(hours=1)}
    return Notice.objects.create(**{**row, **moments, "subject": "s", "body": "b", **given})


def failed_plan(**given: Any) -> PlanRequest:
    row = {"status": "FAILED", "reason": "by hand", "requested_at": ago(hours=1)}
    return PlanRequest.objects.create(**{**row, "error": "ValueError: no", **given})


WRONG: list[tuple[str, Callable[[], object], str, State, str]] = [
    ("worker", lambda: beat(minutes_ago=9), "for 9 minutes", State.WRONG, ""),
    ("hosts", lambda: two_hosts(silent="shop-2"), "shop-2 1 hour", State.LOOK, "shop-2"),
    ("notices", notice, "1 hour ago", State.WRONG, "mail server"),
    ("backup", lambda: heartbeats.note_backup(now=ago(days=3)), "3 days", State.WRONG, "now"),
    ("clock", lambda: beat(clock_ahead=300), "5 minutes ahead", State.WRONG, "network"),
    ("clock", lambda: beat(clock_ahead=-300), "5 minutes behind", State.WRONG, "network"),
    ("queue", lambda: parked(status="QUEUED", error=""), "for 1 hour", State.WRONG, "add one"),
    ("parked", parked, "KeyError: 4", State.WRONG, "Try again"),
    ("parked", failed_plan, "ValueError: no", State.WRONG, "Try again"),
    ("unsent", lambda: notice(state="PARKED"), "1 message", State.WRONG, "address"),
    ("planner", lambda: Forecast.objects.get().plan.delete(), "no plan", State.LOOK, "Ask"),
    (
        "forecast",
        lambda: Forecast.objects.update(made_at=ago(days=2)),
        "2 days",
        State.LOOK,
        "Ask",
    ),
    (
        "forecast",
        lambda: Forecast.objects.get().plan.__class__.objects.update(published_at=ago(minutes=90)),
        "before the published plan",
        State.LOOK,
        "Ask",
    ),
    (
        "weather",
        lambda: WeatherArea.objects.create(name="Harrow", forecast_url="https://w.example/f"),
        "Harrow",
        State.LOOK,
        "fetches again",
    ),
]


@pytest.fixture
def for_real(settings: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """A service with a broker of its own, whatever the tests run on, whose queue is empty."""
    settings.REDIS_URL = settings.REDIS_URL or "redis://127.0.0.1:1/0"
    monkeypatch.setattr(facts, "broker", lambda: facts.Broker(True, 0))


@pytest.mark.usefixtures("for_real")
def test_where_all_is_well_every_line_is_fine() -> None:
    all_well()

    assert {key: line.words for key, line in found().items() if line.state} == {}


@pytest.mark.usefixtures("for_real")
@pytest.mark.parametrize(("key", "arrange", "words", "state", "do"), WRONG)
def test_what_is_wrong_is_told_with_what_to_do(
    key: str, arrange: Callable[[], object], words: str, state: State, do: str
) -> None:
    all_well()
    arrange()

    line = found()[key]

    assert (line.state, words in line.words, do in line.do) == (state, True, True), line
    assert line.do
    others = {other.key for other in found().values() if other.state is State.WRONG} - {key}
    assert others == set()


@pytest.mark.usefixtures("for_real")
@pytest.mark.parametrize(("messages", "unit"), [(0, "girtline-beat"), (7, "girtline-worker")])
def test_what_waits_in_the_queue_tells_a_dead_worker_from_a_dead_clock(
    messages: int, unit: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(facts, "broker", lambda: facts.Broker(True, messages))
    beat(minutes_ago=30)

    assert found()["worker"].command == f"systemctl restart {unit}"


@pytest.mark.parametrize(("messages", "state"), [(0, State.LOOK), (3, State.WRONG)])
def test_a_worker_that_has_not_spoken_yet_is_given_time_unless_work_waits_for_it(
    messages: int, state: State, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(facts, "broker", lambda: facts.Broker(True, messages))
    Heartbeat.objects.filter(name="worker").delete()

    line = found()["worker"]

    assert line.state is state
    assert line.words.startswith("No worker has")


def test_a_broker_that_is_down_says_that_nothing_is_lost(settings: Any) -> None:
    settings.REDIS_URL = "redis://127.0.0.1:1/0"

    line = found()["broker"]

    assert line.state is State.WRONG
    assert "nothing is lost" in line.words
    assert line.command == "systemctl restart redis-server"


def test_a_database_that_is_down_is_told_without_what_the_driver_says(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def refuse() -> None:
        raise OperationalError("no route to db-1, password was hunter2")

    monkeypatch.setattr(connection, "ensure_connection", refuse)
    out = StringIO()

    with pytest.raises(SystemExit) as ended:
        call_command("health", stdout=out)

    assert ended.value.code == 1
    assert "WRONG Database: It does not answer (OperationalError)" in out.getvalue()
    assert "hunter2" not in out.getvalue()


def test_a_step_of_an_upgrade_that_was_not_taken_is_named() -> None:
    MigrationRecorder.Migration.objects.filter(app="jobs").order_by("-pk").first().delete()

    line = found()["version"]

    assert line.state is State.WRONG
    assert "1 step of an upgrade not taken; first jobs." in line.words
    assert line.command == "python manage.py migrate"


def test_a_full_disk_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    full = SimpleNamespace(free=900_000_000, total=100_000_000_000)
    monkeypatch.setattr(facts.shutil, "disk_usage", lambda folder: full)

    line = found()["disk"]

    assert line.state is State.WRONG
    assert "0.9 GB free" in line.words


def test_the_clock_of_this_computer_is_held_against_the_databases(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    beat()
    pulse = running.pulse()
    late = running.Pulse(
        pulse.now - timedelta(minutes=10), pulse.beat_age, 0, None, (), pulse.backup_age
    )
    monkeypatch.setattr(running, "pulse", lambda: late)

    assert "10 minutes ahead" in found()["clock"].words


def test_the_embedded_default_is_told_nothing_of_system_units(settings: Any) -> None:
    if connection.vendor == "sqlite":
        settings.REDIS_URL = ""
        assert not any("systemctl" in line.command for line in found().values())
        assert found()["backup"].state is State.LOOK


def test_the_page_has_the_worst_on_top_in_words_and_shape(
    client: Client, owner: AbstractUser
) -> None:
    parked()
    client.force_login(owner)

    text = client.get(PAGE).content.decode()

    words = [part.split("</b>")[0] for part in text.split('aria-hidden="true">')[1:]]
    states = [word.rsplit("<b>")[-1] for word in words if "<b>" in word]
    assert states[:1] == ["Wrong"]
    assert sorted(states, key=["Wrong", "Look", "Fine"].index) == states
    assert "The office may press the button for it." in text
    assert "<button" not in text.split('id="parked"')[1].split("</li>")[0]


@pytest.mark.django_db(transaction=True)
def test_one_press_lets_what_was_given_up_run_again(
    client: Client, office: AbstractUser, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent: list[str] = []
    monkeypatch.setattr("jobs.tasks.run_task_request.delay", lambda **_: sent.append("task"))
    monkeypatch.setattr("jobs.tasks.make_plan.delay", lambda **_: sent.append("plan"))
    task, plan = parked(), failed_plan()
    client.force_login(office)
    assert "Try again: Work given up" in client.get(PAGE).content.decode()

    answer = client.post(f"{PAGE}again/tasks/", follow=True)

    task.refresh_from_db()
    plan.refresh_from_db()
    assert (task.status, plan.status) == ("QUEUED", "QUEUED")
    assert sent == ["task", "plan"]
    assert "2 asked for again" in answer.content.decode()
    assert "nothing could be tried again" in (
        client.post(f"{PAGE}again/tasks/", follow=True).content.decode().lower()
    )


def test_one_press_sends_again_what_has_an_address_by_now(
    client: Client, office: AbstractUser
) -> None:
    office.email = "office@firm.example"
    office.save()
    row = notice(state="PARKED", user=office, person=f"user:{office.pk}", tries=6)
    client.force_login(office)

    client.post(f"{PAGE}again/notices/")

    row.refresh_from_db()
    assert (row.state, row.email, row.tries) == ("WAITING", "office@firm.example", 0)


def test_one_press_asks_for_a_forecast(client: Client, office: AbstractUser) -> None:
    client.force_login(office)

    client.post(f"{PAGE}again/forecast/")

    assert TaskRequest.objects.get().kind == "ODDS"
    assert client.post(f"{PAGE}again/nothing/").status_code == 404


def test_a_plan_request_that_failed_long_ago_and_was_answered_since_is_no_fault() -> None:
    failed_plan(requested_at=ago(days=3))
    failed_plan(requested_at=ago(days=1), status="DONE", error="")

    assert found()["parked"].state is State.FINE


def test_a_host_of_which_nothing_is_heard_for_a_day_is_forgotten() -> None:
    beat(host="shop-2.example", minutes_ago=25 * 60)

    beat(host="a-very-long-name-of-a-host.example")
    beat(host="a-very-long-name-of-another.example")

    hosts = [name for name, _ in running.pulse().seen]
    assert len(hosts) == 2
    assert all(name.startswith("a-very-lon-") for name in hosts)


def test_the_command_tells_the_same_as_the_page_also_as_json() -> None:
    parked()
    out = StringIO()

    with pytest.raises(SystemExit):
        call_command("health", "--json", stdout=out)

    told = {row["key"]: row["state"] for row in json.loads(out.getvalue())}
    assert told == {key: line.state_word.lower() for key, line in found().items()}


def test_the_page_of_an_error_of_ours_says_where_to_look(
    client: Client, office: AbstractUser, monkeypatch: pytest.MonkeyPatch
) -> None:
    client.raise_request_exception = False
    client.force_login(office)
    monkeypatch.setattr(facts, "gather", lambda: 1 / 0)

    answer = client.get(PAGE)

    assert answer.status_code == 500
    assert "manage.py health" in answer.content.decode()
    assert "ZeroDivisionError" not in answer.content.decode()


def test_how_many_queries_it_takes_does_not_grow(
    client: Client, office: AbstractUser, django_assert_max_num_queries: Any
) -> None:
    for _ in range(20):
        parked()
        failed_plan()
    client.force_login(office)
    client.get(PAGE)

    with django_assert_max_num_queries(30):
        client.get(PAGE)
