"""
Facts judged, one line each: fine or wrong, in words, with what to press or which command to run.

Pure: no database, no clock. The limits are our own.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from enum import IntEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from contractor.health.facts import Facts
    from jobs.selectors.running import Pulse, Work

HEARTBEAT_LIMIT = timedelta(minutes=5)
HOST_LIMIT = timedelta(minutes=30)
WAIT_LIMIT = timedelta(minutes=15)
BACKUP_LIMIT = timedelta(hours=26)
FORECAST_LIMIT = timedelta(hours=30)
FORECAST_AFTER = timedelta(hours=1)
WEATHER_LIMIT = timedelta(hours=12)
CLOCK_LIMIT_SECONDS = 60
LEAST_FREE_BYTES = 2_000_000_000
LEAST_FREE_SHARE = 0.05


class State(IntEnum):
    """How a line stands; the worse the larger."""

    FINE = 0
    LOOK = 1
    WRONG = 2


@dataclass(frozen=True, slots=True)
class Line:
    """
    One thing that runs or does not.

    `do` says what to do about it, `command` what to type on the computer that runs the service.
    `again` names work that one press asks for again, `look` a page of the admin to look at.
    """

    key: str
    title: str
    state: State
    words: str
    do: str = ""
    command: str = ""
    again: str = ""
    look: str = ""

    @property
    def state_word(self) -> str:
        """Return how it stands in one word."""
        return {State.FINE: "Fine", State.LOOK: "Look", State.WRONG: "Wrong"}[self.state]


def lines(facts: Facts) -> list[Line]:
    """Return a line for each thing, the worst first."""
    return sorted(_lines(facts), key=lambda line: -line.state)


def worst(found: list[Line]) -> State:
    """Return how the whole stands: as its worst line."""
    return max((line.state for line in found), default=State.FINE)


def worker_word(beat_age: timedelta | None) -> str:
    """Return how the workers stand by the age of the last heartbeat."""
    if beat_age is None:
        return "never seen"
    return "ok" if beat_age <= HEARTBEAT_LIMIT else "silent"


def span_words(span: timedelta) -> str:
    """Return a length of time in its largest unit, such as "12 minutes"."""
    seconds = max(0, round(span.total_seconds()))
    for size, name in ((86400, "day"), (3600, "hour"), (60, "minute")):
        if seconds >= 2 * size or (seconds >= size and size > 60):
            return _count(seconds // size, name)
    return _count(seconds, "second")


def _lines(facts: Facts) -> Iterator[Line]:
    yield _database(facts)
    yield _broker(facts)
    if facts.pulse is not None:
        yield _worker(facts, facts.pulse)
        yield _hosts(facts, facts.pulse)
        yield _notices(facts, facts.pulse)
        yield _backup(facts, facts.pulse)
        yield _clock(facts, facts.pulse)
    if facts.work is not None:
        yield _waiting(facts, facts.work)
        yield _parked_tasks(facts.work)
        yield _parked_notices(facts.work)
        yield _planner(facts.work)
        yield _forecast(facts.work)
        yield _weather(facts.work)
    yield _migrations(facts)
    yield _disk(facts)


def _database(facts: Facts) -> Line:
    if facts.pulse is not None and not facts.database_fault:
        return Line("database", "Database", State.FINE, "It answers.")
    if facts.migrations:
        words = "It answers, but is of another version than the program."
        do = "Take the steps of the upgrade: see the line of the version."
        return Line("database", "Database", State.WRONG, words, do)
    return Line(
        "database",
        "Database",
        State.WRONG,
        f"It does not answer ({facts.database_fault}). Nothing can be read or saved.",
        "Start it. If it does not start, its own log says why; a full disk is the usual cause.",
        "ls -l var" if facts.is_embedded else "systemctl restart postgresql",
    )


def _broker(facts: Facts) -> Line:
    if facts.broker.answers:
        messages = _count(facts.broker.messages or 0, "message")
        return Line("broker", "Broker of the queue", State.FINE, f"It answers; {messages} in it.")
    return Line(
        "broker",
        "Broker of the queue",
        State.WRONG,
        "It does not answer. Pages work, and nothing is lost: what is asked for waits.",
        "Make the folder of the queue writable." if facts.is_embedded else "Start Redis again.",
        "ls -ld var/queue/messages" if facts.is_embedded else "systemctl restart redis-server",
    )


def _worker(facts: Facts, pulse: Pulse) -> Line:
    key, title = "worker", "Work in the background"
    word = worker_word(pulse.beat_age)
    if word == "ok" and pulse.beat_age is not None:
        ago = span_words(pulse.beat_age)
        return Line(key, title, State.FINE, f"A worker spoke {ago} ago.")
    if pulse.beat_age is None and facts.broker.answers and facts.broker.messages == 0:
        return Line(
            key,
            title,
            State.LOOK,
            "No worker has spoken yet. A new one is heard within two minutes; until then no plan, "
            "notice or forecast is made, and what is asked for waits.",
            f"Look again in two minutes. If it still says so: {_start_again(facts)}",
            "" if facts.is_embedded else "systemctl restart girtline-beat girtline-worker",
        )
    said = (
        "No worker has ever spoken"
        if pulse.beat_age is None
        else f"No worker has spoken for {span_words(pulse.beat_age)}"
    )
    # Beat alone asks for heartbeats: if its messages pile up it lives, and the worker does not.
    if facts.broker.answers and facts.broker.messages == 0:
        why, unit = "Nothing waits in the queue, so the clock (beat) has stopped", "girtline-beat"
    else:
        why, unit = "Messages wait in the queue, so the worker has stopped", "girtline-worker"
    return Line(
        key,
        title,
        State.WRONG,
        f"{said}. {why}. No plan, notice or forecast is made; what is asked for waits.",
        _start_again(facts),
        "" if facts.is_embedded else f"systemctl restart {unit}",
    )


def _hosts(facts: Facts, pulse: Pulse) -> Line:
    key, title = "hosts", "Workers seen"
    told = "; ".join(f"{name} {span_words(age)} ago" for name, age in pulse.seen)
    silent = [name for name, age in pulse.seen if age > HOST_LIMIT]
    if not pulse.seen:
        return Line(key, title, State.FINE, "None yet that told its name.")
    if not silent:
        return Line(key, title, State.FINE, f"{told}.")
    return Line(
        key,
        title,
        State.LOOK,
        f"{told}.",
        f"Was {', '.join(silent)} taken away on purpose? It is forgotten after a day. "
        "If not, start its worker there.",
        "" if facts.is_embedded else "systemctl restart girtline-worker",
    )


def _notices(facts: Facts, pulse: Pulse) -> Line:
    key, title = "notices", "Messages to people"
    if pulse.unsent_for is None:
        return Line(key, title, State.FINE, "None is late.")
    words = f"The oldest that is not sent was due {span_words(pulse.unsent_for)} ago."
    if pulse.unsent_for <= WAIT_LIMIT:
        return Line(key, title, State.FINE, words)
    return Line(
        key,
        title,
        State.WRONG,
        words,
        "If workers are fine, the mail server refuses or does not answer: its words are in the "
        "list. It is tried again by itself, up to hourly.",
        "" if facts.is_embedded else "journalctl -u girtline-worker --since -1h | grep -i mail",
        look="waiting_notices",
    )


def _backup(facts: Facts, pulse: Pulse) -> Line:
    key, title = "backup", "Last backup"
    command = (
        "python manage.py backup DIR" if facts.is_embedded else "systemctl start girtline-backup"
    )
    if pulse.backup_age is None:
        state = State.LOOK if facts.is_embedded else State.WRONG
        return Line(key, title, state, "None was ever made.", "Make one now.", command)
    words = f"Made {span_words(pulse.backup_age)} ago."
    if pulse.backup_age <= BACKUP_LIMIT:
        return Line(key, title, State.FINE, words)
    state = State.LOOK if facts.is_embedded else State.WRONG
    do = "Make one now, and see why the timer made none: its log says."
    return Line(key, title, state, words, do, command)


def _clock(facts: Facts, pulse: Pulse) -> Line:
    key, title = "clock", "Clocks"
    off = {
        f"of {facts.host}": facts.clock_off_seconds or 0,
        "of the worker": pulse.clock_off_seconds or 0,
    }
    wrong = {name: by for name, by in off.items() if abs(by) > CLOCK_LIMIT_SECONDS}
    if not wrong:
        return Line(key, title, State.FINE, "They agree to the minute.")
    told = "; ".join(
        f"The clock {name} is {span_words(timedelta(seconds=abs(by)))} "
        f"{'ahead of' if by > 0 else 'behind'} the database's"
        for name, by in wrong.items()
    )
    do = "Set the clock by the network, on every computer of the service."
    return Line(key, title, State.WRONG, f"{told}.", do, "timedatectl set-ntp true")


def _waiting(facts: Facts, work: Work) -> Line:
    key, title = "queue", "Plans and tasks that wait"
    if work.waits_for is None:
        return Line(key, title, State.FINE, "None.")
    waits = f"{work.wishes} waiting" if work.wishes > 1 else "One waiting"
    words = f"{waits}; the oldest for {span_words(work.waits_for)}."
    if work.waits_for <= WAIT_LIMIT:
        return Line(key, title, State.FINE, words)
    return Line(
        key,
        title,
        State.WRONG,
        words,
        "If workers are fine, there is more to do than they manage: let them finish, or add one.",
        "" if facts.is_embedded else "journalctl -u girtline-worker --since -1h",
        look="tasks",
    )


def _parked_tasks(work: Work) -> Line:
    key, title = "parked", "Work given up"
    failed = (*work.tasks, *work.plans)
    if not failed:
        return Line(key, title, State.FINE, "None.")
    last = failed[-1]
    return Line(
        key,
        title,
        State.WRONG,
        f"{_count(len(failed), 'task')} failed for good. Last: {last.what}: {last.error}",
        "Try again. If it fails once more, what it says is for whoever carries the program on.",
        again="tasks",
        look="tasks" if work.tasks else "plans",
    )


def _parked_notices(work: Work) -> Line:
    key, title = "unsent", "Messages given up"
    if not work.parked_notices:
        return Line(key, title, State.FINE, "None.")
    return Line(
        key,
        title,
        State.WRONG,
        f"{_count(work.parked_notices, 'message')} could not be sent.",
        "The list says why: mostly a wrong address. Put that right at the person, crew or buyer "
        "first, then try again.",
        again="notices",
        look="parked_notices",
    )


def _planner(work: Work) -> Line:
    key, title = "planner", "Planner"
    if work.plan_age is None:
        return Line(key, title, State.LOOK, "It has made no plan yet.", "Ask for one.", look="plan")
    words = f"Last plan {span_words(work.plan_age)} ago, in {work.plan_seconds or 0:.1f} s."
    if work.published_age is None:
        do = "Look at the draft and publish it."
        return Line(key, title, State.LOOK, f"{words} None is published.", do, look="plan")
    told = f"{words} The published one is of {span_words(work.published_age)} ago."
    return Line(key, title, State.FINE, told)


def _forecast(work: Work) -> Line:
    key, title = "forecast", "Forecast of finishes"
    if work.published_age is None:
        return Line(key, title, State.FINE, "None is made before a plan is published.")
    age = work.forecast_age
    is_of_plan = age is not None and age <= work.published_age
    if not is_of_plan and work.published_age > FORECAST_AFTER:
        before = f"Made {span_words(age)} ago, before the published plan." if age else ""
        words = before or "None was made."
        return Line(key, title, State.LOOK, words, "Ask for one now.", again="forecast")
    if age is None:
        return Line(key, title, State.FINE, "The first follows the published plan.")
    if age <= FORECAST_LIMIT:
        return Line(key, title, State.FINE, f"Made {span_words(age)} ago.")
    words = f"Made {span_words(age)} ago; it is made each morning."
    return Line(key, title, State.LOOK, words, "Ask for one now.", again="forecast")


def _weather(work: Work) -> Line:
    key, title = "weather", "Weather forecasts"
    if not work.weather:
        return Line(key, title, State.FINE, "No area has an address to fetch from.")
    old = [name for name, age in work.weather if age is None or age > WEATHER_LIMIT]
    if not old:
        oldest = max(age for _, age in work.weather if age is not None)
        return Line(key, title, State.FINE, f"The oldest is of {span_words(oldest)} ago.")
    limit = span_words(WEATHER_LIMIT)
    words = f"None younger than {limit} for {', '.join(old)}."
    do = "The area's page says what the source answered, and fetches again."
    return Line(key, title, State.LOOK, words, do, look="weather")


def _migrations(facts: Facts) -> Line:
    key, title = "version", "Database and version"
    if facts.pulse is None and not facts.migrations:
        return Line(key, title, State.LOOK, "Not known while the database does not answer.")
    if not facts.migrations:
        return Line(key, title, State.FINE, "They fit.")
    first = facts.migrations[0]
    words = f"{_count(len(facts.migrations), 'step')} of an upgrade not taken; first {first}."
    do = "Make a backup, take the steps, then restart web, worker and beat."
    return Line(key, title, State.WRONG, words, do, "python manage.py migrate")


def _disk(facts: Facts) -> Line:
    key, title = "disk", "Disk"
    share = facts.free_bytes / facts.disk_bytes if facts.disk_bytes else 0.0
    words = f"{facts.free_bytes / 1e9:.1f} GB free on {facts.host}, {share:.0%} of it."
    if facts.free_bytes >= LEAST_FREE_BYTES and share >= LEAST_FREE_SHARE:
        return Line(key, title, State.FINE, words)
    do = "Make room: old backups and logs first. Delete nothing in the folder of the service."
    return Line(key, title, State.WRONG, words, do, "journalctl --vacuum-size=200M")


def _start_again(facts: Facts) -> str:
    if facts.is_embedded:
        return "End the program with Ctrl-C and start it again."
    return "Start it again. If it stops once more, its log says why."


def _count(number: int, noun: str) -> str:
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"
