"""
Two offices and three phones at once, while processes are killed at random: what is lost?

    DATABASE_URL=postgres://… REDIS_URL=redis://…/9 python -m tests.bench.crashes --seconds 600

Gunicorn (2 processes of 4 threads) and a worker of 2 processes run as in docs/deploy, on a database
of their own beside the one of DATABASE_URL; the Redis must be one that nothing else uses. Every few
seconds one of them gets SIGKILL in mid-work: a process of gunicorn, one of the worker, all of the
worker, or, at times, Redis loses its queue. The offices move, undo, publish, ask for plans and stop
for rain; phones report and send again what was not answered; calendars are read.

At the end what was killed runs again until nothing waits. Then what must never be true is looked
for (docs of the design: rules 1, 3, 5, 6, 7 and 8), and that all that was answered as kept is
there, once. Any answer of 500 is a fault too. `--every 0` kills nothing.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import re
import signal
import subprocess
import sys
import threading
import time as clock
from collections import Counter
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from tests.bench.crashes_people import Calendar, Met, Office, Phone
from tests.bench.database import own_database

if TYPE_CHECKING:
    from collections.abc import Callable

    import httpx

PATIENCE_SECONDS = 300


class Programs:
    """Web and worker in sessions of their own, to be killed and started again."""

    def __init__(self, port: int) -> None:
        from django.conf import settings
        from django.db import connection

        name = connection.settings_dict["NAME"]
        url = urlsplit(os.environ["DATABASE_URL"])._replace(path=f"/{name}").geturl()
        self.environment = os.environ | {"DATABASE_URL": url, "LOG_LEVEL": "WARNING"}
        self.folder = Path(settings.BASE_DIR)
        self.log = Path(settings.VAR_DIR) / "programs.log"
        celery = ("celery", "--app", "contractor.celery")
        self.commands = {
            "web": (
                *("gunicorn", "contractor.wsgi", "--bind", f"127.0.0.1:{port}"),
                *("--workers", "2", "--threads", "4", "--log-level", "warning"),
            ),
            "worker": (*celery, "worker", "--concurrency", "2"),
        }
        self.running: dict[str, subprocess.Popen[bytes]] = {}
        self.killed: Counter[str] = Counter()

    def start(self, name: str) -> None:
        """Start one of the two, as systemd does where it is gone."""
        with self.log.open("ab") as log:
            self.running[name] = subprocess.Popen(
                [sys.executable, "-m", *self.commands[name]],
                env=self.environment,
                cwd=self.folder,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )

    def kill_one(self, luck: random.Random) -> None:
        """Kill a process of web, one of the worker, or the whole worker; or empty the queue."""
        what = luck.choice(("web", "web", "worker", "worker", "all workers", "queue"))
        self.killed[what] += 1
        if what == "queue":
            with _queue() as client:
                client.flushdb()
        elif what == "all workers":
            self.kill_all("worker")
            self.start("worker")
        else:
            children = _children(self.running[what].pid)
            if children:
                with suppress(ProcessLookupError):
                    os.kill(luck.choice(children), signal.SIGKILL)

    def kill_all(self, name: str) -> None:
        """Kill one of the two with all that it has started."""
        with suppress(ProcessLookupError):
            os.killpg(self.running[name].pid, signal.SIGKILL)
        self.running[name].wait()

    def stop(self) -> None:
        """Kill both."""
        for name in list(self.running):
            self.kill_all(name)


def measure(asked: argparse.Namespace) -> dict[str, Any]:
    """Build the firm, let all be at it while processes are killed, and look what is left."""
    import httpx
    from django.db import connection

    from tests.bench.load import _free_port, _wait_until_it_answers

    port, met = _free_port(), Met()
    programs = Programs(port)
    who, phones = _people(asked, met, f"http://127.0.0.1:{port}")
    over = threading.Event()

    def again(once: Callable[[], None], luck: random.Random) -> None:
        try:
            while not over.wait(luck.expovariate(1 / asked.pause)):
                once()
        except Exception as fault:  # what is wrong with the program itself
            met.faults.append(f"{type(fault).__name__}: {fault}")
            raise
        finally:
            connection.close()

    try:
        for name in programs.commands:
            programs.start(name)
        _send("jobs.tasks.heartbeat")
        _wait_until_it_answers(port)
        threads = [
            threading.Thread(target=again, args=(once, random.Random(f"{asked.seed} {n}")))
            for n, once in enumerate(who)
        ]
        for thread in threads:
            thread.start()
        _kill_until(clock.monotonic() + asked.seconds, programs, asked)
        over.set()
        for thread in threads:
            thread.join()
        _come_to_rest(programs, phones, met)
        left = _what_is_wrong(met)
    except httpx.HTTPError:
        over.set()
        raise
    finally:
        over.set()
        programs.stop()
        log = programs.log.read_text(errors="replace") if programs.log.exists() else ""
        with _queue() as client:
            client.flushdb()
    return {
        "seed": asked.seed,
        "seconds": asked.seconds,
        "killed": dict(programs.killed),
        "answers": {kind: dict(codes) for kind, codes in met.codes.items()},
        "reports": dict(Counter(met.kept.values())),
        "rows": _rows(),
        "faults": [*met.faults, *left],
        "errors in the log": _errors(log),
    }


def _people(
    asked: argparse.Namespace, met: Met, base: str
) -> tuple[list[Callable[[], None]], list[Phone]]:
    import httpx
    from django.contrib.auth.models import Group, User
    from django.test import Client
    from django.utils import timezone

    from contractor import roles
    from crews.models import Crew
    from crews.services import phones as phone_links
    from crews.services import subscribe
    from jobs.services import planning, publishing
    from tests.bench.firm_of_size import build_firm

    now = timezone.now()
    build_firm(jobs=asked.jobs, crews=3, now=now)
    plan = planning.plan_now(now=now, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=now)
    all_of_them: list[Callable[[], None]] = []

    def client(**cookies: str) -> httpx.Client:
        limits = httpx.Limits(keepalive_expiry=1.0)
        return httpx.Client(base_url=base, timeout=120, limits=limits, cookies=cookies)

    for number in range(2):
        user = User.objects.create(username=f"desk{number}", is_staff=True)
        user.groups.add(Group.objects.get(name=roles.OFFICE))
        signed_in = Client()
        signed_in.force_login(user)
        key = signed_in.cookies["sessionid"].value
        luck = random.Random(f"{asked.seed} desk {number}")
        all_of_them.append(Office(met, client(sessionid=key), luck).once)
    phones = []
    for number, crew in enumerate(Crew.objects.order_by("pk")):
        _, link = phone_links.invite(crew=crew, person_name=f"Hand {number}", now=now)
        key = link.rstrip("/").rpartition("/")[2]
        _, key = phone_links.enroll(key=key, client="bench", now=now)
        luck = random.Random(f"{asked.seed} phone {number}")
        phones.append(Phone(met, client(girtline_phone=key), crew.pk, luck))
        _, url = subscribe(crew=crew, reader=f"Reader {number}", now=now)
        all_of_them.append(Calendar(met, client(), urlsplit(url).path).once)
    return [*all_of_them, *(phone.once for phone in phones)], phones


def _kill_until(end: float, programs: Programs, asked: argparse.Namespace) -> None:
    """Kill at random moments until the end; ask for what beat asks for."""
    luck = random.Random(f"{asked.seed} kill")
    next_kill = clock.monotonic() + 5
    while clock.monotonic() < end:
        clock.sleep(0.5)
        if asked.every and clock.monotonic() > next_kill:
            programs.kill_one(luck)
            next_kill = clock.monotonic() + luck.expovariate(1 / asked.every)
            _age_claims()
        if luck.random() < 0.2:
            _sweep()


def _sweep() -> None:
    names = ("sweep_plan_requests", "sweep_task_requests", "send_notices", "refresh_calendars")
    for name in names:
        _send(f"jobs.tasks.{name}")


def _age_claims() -> None:
    """
    Let what a dead worker holds be as old as the sweeps wait for.

    A live one's is not told apart: then two do the same, which must do no harm either.
    """
    from jobs.models import Notice, PlanRequest, TaskRequest

    old = datetime.now(UTC) - timedelta(minutes=11)
    for model in (PlanRequest, TaskRequest):
        model._default_manager.filter(status="RUNNING").update(claimed_at=old)
    Notice.objects.filter(state="WAITING", claimed_at__isnull=False).update(claimed_at=old)


def _come_to_rest(programs: Programs, phones: list[Phone], met: Met) -> None:
    """Start all anew, and wait until nothing waits any more."""
    from jobs.models import PlanRequest, TaskRequest

    for name in programs.commands:
        programs.kill_all(name)
        programs.start(name)
    _age_claims()
    waits = ("QUEUED", "RUNNING")
    end = clock.monotonic() + PATIENCE_SECONDS
    while True:
        for phone in phones:
            if phone.waiting:
                phone.send()
        TaskRequest.objects.filter(status="QUEUED").update(next_try_at=datetime.now(UTC))
        _sweep()
        clock.sleep(3)
        left = [
            *PlanRequest.objects.filter(status__in=waits),
            *TaskRequest.objects.filter(status__in=waits),
            *(row for phone in phones for row in phone.waiting),
        ]
        if not left:
            return
        if clock.monotonic() > end:
            met.faults.append(f"{len(left)} wait for ever, the first: {left[0]!r}")
            return


def _what_is_wrong(met: Met) -> list[str]:
    """Return what must never be true and is."""
    from jobs.models import BoardMove, FieldReport
    from tests.service import life_checks
    from tests.service.faults.test_faults import check_what_is_never_true

    wrong = []
    checks = (
        life_checks.check_plans,
        life_checks.check_nobody_in_two_places,
        life_checks.check_phases,
        life_checks.check_notices,
        life_checks.check_slips,
        check_what_is_never_true,
    )
    for check in checks:
        try:
            check()
        except AssertionError as fault:
            wrong.append(f"{check.__name__}: {fault}")
    if BoardMove.objects.count() < met.accepted:
        wrong.append(f"of {met.accepted} accepted moves {BoardMove.objects.count()} are kept")
    stored = {str(pk) for pk in FieldReport.objects.values_list("pk", flat=True)}
    for key, result in met.kept.items():
        if (result != "REFUSED") != (key in stored):
            wrong.append(f"report {key} was {result}, and is {'' if key in stored else 'not '}kept")
    return wrong


def _rows() -> dict[str, int]:
    from jobs.models import BoardMove, Booking, FieldReport, Notice, Plan, Slip

    models = (Plan, Booking, BoardMove, FieldReport, Slip, Notice)
    rows = {model.__name__: model._default_manager.count() for model in models}
    published = Plan.objects.exclude(published_at=None).count()
    return {**rows, "published plans": published}


def _errors(log: str) -> list[str]:
    """Return what web and worker told of that went wrong, most often first."""
    found = Counter(
        line[-300:]
        for line in log.splitlines()
        if "ERROR" in line or re.match(r"(?:\w+\.)*\w+(?:Error|Meanwhile|Refused)\b", line)
    )
    return [f"{number}x {line}" for line, number in found.most_common(12)]


def _children(parent: int) -> list[int]:
    told = Path(f"/proc/{parent}/task/{parent}/children")
    try:
        return [int(pid) for pid in told.read_text().split()]
    except OSError:
        return []


def _send(task: str) -> None:
    from celery import Celery

    sender = Celery("sender", broker=os.environ["REDIS_URL"], set_as_current=False)
    sender.send_task(task)
    sender.close()


def _queue() -> Any:
    import redis

    return redis.Redis.from_url(os.environ["REDIS_URL"])


def main() -> None:
    """Run once, and end with 1 if something is wrong."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=120)
    parser.add_argument("--every", type=float, default=6, help="seconds between two kills, mean")
    parser.add_argument("--pause", type=float, default=1, help="seconds between two acts, mean")
    parser.add_argument("--jobs", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    if not os.environ.get("DATABASE_URL", "").startswith("postgres"):
        parser.error("set DATABASE_URL to postgres://…: processes cannot share one in memory")
    if not os.environ.get("REDIS_URL"):
        parser.error("set REDIS_URL to a database of a Redis that is empty, like redis://host/9")
    with _queue() as client:
        if client.dbsize():
            parser.error(
                f"{os.environ['REDIS_URL']} is not empty; name one that is, as it is emptied"
            )
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with own_database():
        row = measure(asked)
    print(json.dumps(row, indent=2))
    sys.exit(1 if row["faults"] else 0)


if __name__ == "__main__":
    main()
