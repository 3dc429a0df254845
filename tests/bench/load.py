"""
A working hour's load on the whole service: phones, the office and calendars at once.

    DATABASE_URL=postgres://… REDIS_URL=redis://…/9 python -m tests.bench.load --seconds 600 --json

Gunicorn (2 processes of 4 threads), a worker of 2 processes and beat run as in docs/deploy, on a
database of their own beside the one of DATABASE_URL; the Redis must be one that nothing else uses.
Who asks, and how long each waits between two questions (exponential, means; our own, no source):

| who | asks | waits |
|---|---|---:|
| 200 phones, 5 of a crew | the week; every fifth time a phase's page | 3 min |
| the same | a report: how far the crew's work is | 30 min |
| 20 people of the office | board, its changes, morning desk, a job, jobs, look-ahead | 15 s |
| 500 calendars | the feed, with the ETag that they have | 15 min |

Told are, by kind, how many were answered, what was not as expected, the median and the 95th
percentile of the seconds; the memory (RSS, MiB) of each process at the start and at the end; and
what web, worker and beat used of the processor, which other work on the computer does not change.
The asking program runs on the same computer and takes of its processor.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import random
import signal
import sys
import time as clock
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from statistics import median, quantiles
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit
from uuid import uuid4

from tests.bench.database import own_database

if TYPE_CHECKING:
    import httpx

PHONE_WAITS, REPORT_WAITS, OFFICE_WAITS, FEED_WAITS = 180.0, 1800.0, 15.0, 900.0
OFFICE_ASKS = (
    ("board", "/admin/board/", 3),
    ("board changed?", "/admin/board/version/", 6),
    ("morning desk", "/admin/desk/", 2),
    ("job", "", 4),
    ("jobs", "/admin/jobs/job/", 2),
    ("look-ahead", "/admin/desk/look-ahead/", 1),
)
EXPECTED = (200, 304)
QUEUE_KEYS = ("celery", "unacked", "unacked_index")


@dataclass(frozen=True, slots=True)
class People:
    """What opens the doors: cookies and addresses."""

    phones: list[tuple[str, list[int]]]
    """Each phone's cookie, and the phases that its crew is booked on next."""
    office: list[str]
    feeds: list[str]
    jobs: list[int]


@dataclass(slots=True)
class Met:
    """What was asked and how it was answered."""

    took: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    codes: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    results: Counter[str] = field(default_factory=Counter)
    """What became of the reports."""

    async def ask(
        self, client: httpx.AsyncClient, kind: str, **asked: Any
    ) -> httpx.Response | None:
        """Ask once, note the time and the answer, and return it; None where there was none."""
        import httpx

        began = clock.perf_counter()
        try:
            answer = await client.request(**asked)
        except httpx.HTTPError as fault:
            self.codes[kind][type(fault).__name__] += 1
            return None
        self.took[kind].append(clock.perf_counter() - began)
        self.codes[kind][str(answer.status_code)] += 1
        return answer

    def told(self) -> dict[str, Any]:
        """Return a line for each kind."""
        return {
            kind: {
                "answers": dict(self.codes[kind]),
                "p50_s": round(median(self.took[kind] or [0.0]), 3),
                "p95_s": _p95(self.took[kind]),
                "max_s": round(max(self.took[kind], default=0.0), 3),
            }
            for kind in sorted(self.codes)
        }

    def errors(self) -> int:
        """Return how many were answered otherwise than expected, or not at all."""
        fine = {str(code) for code in EXPECTED}
        told = Counter[str]()
        for codes in self.codes.values():
            told.update(codes)
        return sum(number for code, number in told.items() if code not in fine)


def measure(asked: argparse.Namespace) -> dict[str, Any]:
    """Build the firm, serve it, let all ask, and return what they met."""
    people = _firm(asked)
    port = _free_port()
    with _served(port) as programs:
        _wait_until_it_answers(port)
        asyncio.run(_ask(port, people, Met(), seconds=asked.warm, hurry=4))
        before, worked = _memory(programs), _processor_seconds(programs)
        met = Met()
        asyncio.run(_ask(port, people, met, seconds=asked.seconds, hurry=1))
        after = _memory(programs)
        worked = {
            name: round(seconds - worked[name], 1)
            for name, seconds in _processor_seconds(programs).items()
        }
        health = _health(port)
    every = [one for rows in met.took.values() for one in rows]
    return {
        "open_jobs": asked.jobs,
        "crews": asked.crews,
        "phones": asked.phones,
        "office": asked.office,
        "calendars": asked.calendars,
        "seconds": asked.seconds,
        "load_average": [round(one, 1) for one in os.getloadavg()],
        "answers": len(every),
        "errors": met.errors(),
        "p50_s": round(median(every), 3),
        "p95_s": _p95(every),
        "reports": dict(met.results),
        "processor_s": worked,
        "processor_s_an_answer": round(worked["web"] / max(1, len(every)), 3),
        "by_kind": met.told(),
        "memory_mib": {
            name: {"start": before.get(name), "end": after.get(name)}
            for name in sorted({*before, *after})
        },
        "health": health,
    }


def _firm(asked: argparse.Namespace) -> People:
    from django.contrib.auth.models import Group, User
    from django.test import Client
    from django.utils import timezone

    from contractor import roles
    from crews.models import Crew
    from crews.services import phones, subscribe
    from jobs.models import Booking, Job
    from jobs.services import forecasting, planning, publishing
    from tests.bench.firm_of_size import build_firm

    now = timezone.now()
    build_firm(jobs=asked.jobs, crews=asked.crews, now=now)
    plan = planning.plan_now(now=now, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=now)
    forecasting.forecast_now(now=now, draws=200)
    crews = list(Crew.objects.order_by("pk"))
    booked: dict[int, list[int]] = defaultdict(list)
    for row in Booking.objects.filter(is_live=True, crew__isnull=False).order_by("starts_at"):
        booked[row.crew_id].append(row.phase_id)
    people = People([], [], [], list(Job.objects.values_list("pk", flat=True)))
    for number in range(asked.phones):
        crew = crews[number % len(crews)]
        _, link = phones.invite(crew=crew, person_name=f"Hand {number}", now=now)
        _, key = phones.enroll(key=link.rstrip("/").rpartition("/")[2], client="bench", now=now)
        people.phones.append((f"girtline_phone={key}", booked[crew.pk][:2]))
    for number in range(asked.calendars):
        _, url = subscribe(crew=crews[number % len(crews)], reader=f"Reader {number}", now=now)
        people.feeds.append(urlsplit(url).path)
    for number in range(asked.office):
        user = User.objects.create(username=f"desk{number}", is_staff=True)
        user.groups.add(Group.objects.get(name=roles.OFFICE))
        client = Client()
        client.force_login(user)
        people.office.append(f"sessionid={client.cookies['sessionid'].value}")
    return people


class _served:  # noqa: N801 - used as a statement
    """Web, worker and beat on the bench's database while the block runs."""

    def __init__(self, port: int) -> None:
        from django.conf import settings
        from django.db import connection

        from jobs.management.serving import Children

        name = connection.settings_dict["NAME"]
        url = urlsplit(os.environ["DATABASE_URL"])._replace(path=f"/{name}").geturl()
        environment = os.environ | {"DATABASE_URL": url, "LOG_LEVEL": "WARNING"}
        self.log_dir = Path(settings.VAR_DIR) / "log"
        self.children = Children(log_dir=self.log_dir, env=environment, cwd=settings.BASE_DIR)
        celery = ("celery", "--app", "contractor.celery")
        self.commands = {
            "web": (
                *("gunicorn", "contractor.wsgi", "--bind", f"127.0.0.1:{port}"),
                *("--workers", "2", "--threads", "4", "--log-level", "warning"),
            ),
            "worker": (*celery, "worker", "--concurrency", "2"),
            "beat": (*celery, "beat"),
        }

    def __enter__(self) -> dict[str, int]:
        self.children.__enter__()
        for name, command in self.commands.items():
            self.children.start(name, [sys.executable, "-m", *command])
        return {child.name: child.process.pid for child in self.children._children}

    def __exit__(self, *given: object) -> None:
        self.children.__exit__(*given)
        for log in sorted(self.log_dir.glob("*.log")):
            lines = log.read_text().splitlines()
            wrong = [at for at, line in enumerate(lines) if "ERROR" in line]
            if wrong:
                print(f"{log.name}: {len(wrong)} errors, the first:", file=sys.stderr)
                print("\n".join(lines[wrong[0] : wrong[0] + 40]), file=sys.stderr)
        with _queue() as client:
            client.delete(*QUEUE_KEYS)  # messages of rows that are gone with their database


async def _ask(port: int, people: People, met: Met, *, seconds: float, hurry: float) -> None:
    """Let everyone ask for so many seconds; `hurry` divides the waits."""
    import httpx

    until = clock.monotonic() + seconds
    # Gunicorn ends a connection that is idle for 2 s; one that ends while asked is no answer.
    limits = httpx.Limits(max_connections=100, keepalive_expiry=1.0)
    async with httpx.AsyncClient(
        base_url=f"http://127.0.0.1:{port}", timeout=60, limits=limits
    ) as client:

        async def again(mean: float, luck: random.Random, once: Any) -> None:
            wait = luck.uniform(0, mean / hurry)  # not all begin at once
            while clock.monotonic() + wait < until:
                await asyncio.sleep(wait)
                await once(luck)
                wait = luck.expovariate(hurry / mean)
            await asyncio.sleep(max(0.0, until - clock.monotonic()))

        phones = [_Phone(met, client, *phone) for phone in people.phones]
        desks = [_Desk(met, client, cookie, people.jobs) for cookie in people.office]
        calendars = [_Calendar(met, client, path) for path in people.feeds]
        who = [
            *((PHONE_WAITS, phone.look) for phone in phones),
            *((REPORT_WAITS, phone.report) for phone in phones),
            *((OFFICE_WAITS, desk.look) for desk in desks),
            *((FEED_WAITS, calendar.look) for calendar in calendars),
        ]
        await asyncio.gather(
            *(again(mean, random.Random(seed), once) for seed, (mean, once) in enumerate(who))
        )


@dataclass(slots=True)
class _Phone:
    met: Met
    client: httpx.AsyncClient
    cookie: str
    phases: list[int]

    async def look(self, luck: random.Random) -> None:
        """Open the week, now and then a phase of it."""
        headers = {"Cookie": self.cookie}
        await self.met.ask(self.client, "phone: week", method="GET", url="/phone/", headers=headers)
        if self.phases and luck.random() < 0.2:
            url = f"/phone/phases/{luck.choice(self.phases)}/"
            await self.met.ask(self.client, "phone: phase", method="GET", url=url, headers=headers)

    async def report(self, luck: random.Random) -> None:
        """Say how far the work is; the answer of one that cannot be is an answer too."""
        if not self.phases:
            return
        row = {
            "id": str(uuid4()),
            "made_at": datetime.now(UTC).isoformat(),
            "phase": str(self.phases[0]),
            "do": f"SHARE {luck.choice((0.1, 0.25, 0.5, 0.75))}",
        }
        headers = {"Cookie": self.cookie, "X-Outbox": "1", "Accept": "application/json"}
        answer = await self.met.ask(
            self.client,
            "phone: report",
            method="POST",
            url="/phone/reports/",
            json={"reports": [row]},
            headers=headers,
        )
        if answer is not None and answer.status_code == 200:
            self.met.results[answer.json()["results"][0]["result"]] += 1


@dataclass(slots=True)
class _Desk:
    met: Met
    client: httpx.AsyncClient
    cookie: str
    jobs: list[int]

    async def look(self, luck: random.Random) -> None:
        """Open one of the office's pages."""
        kind, url, _ = luck.choices(OFFICE_ASKS, [share for *_, share in OFFICE_ASKS])[0]
        url = url or f"/admin/jobs/job/{luck.choice(self.jobs)}/change/"
        headers = {"Cookie": self.cookie}
        await self.met.ask(self.client, f"office: {kind}", method="GET", url=url, headers=headers)


@dataclass(slots=True)
class _Calendar:
    met: Met
    client: httpx.AsyncClient
    path: str
    tag: str = ""

    async def look(self, luck: random.Random) -> None:
        """Fetch the feed if it has changed."""
        headers = {"If-None-Match": self.tag} if self.tag else {}
        answer = await self.met.ask(
            self.client, "calendar", method="GET", url=self.path, headers=headers
        )
        if answer is not None:
            self.tag = answer.headers.get("ETag", self.tag)


def _wait_until_it_answers(port: int) -> None:
    deadline = clock.monotonic() + 300
    while clock.monotonic() < deadline:
        told = _health(port)
        if told and told["worker"]["state"] == "ok":
            return
        clock.sleep(1)
    raise AssertionError("web and worker do not answer; see why by starting them as in docs/deploy")


def _health(port: int) -> Any:
    import httpx

    try:
        return httpx.get(f"http://127.0.0.1:{port}/health/", timeout=30).json()
    except httpx.HTTPError:
        return None


def _memory(programs: dict[str, int]) -> dict[str, float]:
    """Return the MiB that each process holds, by program and number, those it started after it."""
    told = {}
    for name, leader in programs.items():
        members = [leader, *sorted(_members(leader) - {leader})]
        told |= {f"{name} {place}": _rss_mib(pid) for place, pid in enumerate(members)}
    return told


def _processor_seconds(programs: dict[str, int]) -> dict[str, float]:
    """Return what each program has used of the processor, with all that it has started or ended."""
    ticks = os.sysconf("SC_CLK_TCK")
    told = {}
    for name, leader in programs.items():
        used = 0
        for pid in _members(leader):
            try:
                fields = (Path("/proc") / str(pid) / "stat").read_text().rsplit(")")[-1].split()
            except OSError:
                continue
            # utime and stime, and of ended children that it has waited for (proc(5)).
            used += sum(int(one) for one in fields[11:15])
        told[name] = used / ticks
    return told


def _members(leader: int) -> set[int]:
    """Return all processes of a session: the program that leads it, and what that has started."""
    found = set()
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            fields = (entry / "stat").read_text().rsplit(")")[-1].split()
        except OSError:
            continue
        if int(fields[3]) == leader:
            found.add(int(entry.name))
    return found


def _rss_mib(pid: int) -> float:
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return 0.0
    kib = next((int(line.split()[1]) for line in lines if line.startswith("VmRSS")), 0)
    return round(kib / 1024, 1)


def _p95(took: list[float]) -> float:
    return round(quantiles(took, n=20)[-1], 3) if len(took) > 1 else round(sum(took), 3)


def _free_port() -> int:
    import socket

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def _queue() -> Any:
    import redis

    return redis.Redis.from_url(os.environ["REDIS_URL"])


def _queue_is_empty() -> bool:
    with _queue() as client:
        return not client.exists(*QUEUE_KEYS)


def main() -> None:
    """Measure one mix."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--jobs", type=int, default=200)
    parser.add_argument("--crews", type=int, default=40)
    parser.add_argument("--phones", type=int, default=200)
    parser.add_argument("--office", type=int, default=20)
    parser.add_argument("--calendars", type=int, default=500)
    parser.add_argument("--seconds", type=float, default=600)
    parser.add_argument("--warm", type=float, default=30, help="seconds before counting begins")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    if not os.environ.get("DATABASE_URL", "").startswith("postgres"):
        parser.error("set DATABASE_URL to postgres://…: processes cannot share one in memory")
    if not os.environ.get("REDIS_URL") or not _queue_is_empty():
        parser.error("set REDIS_URL to a database of a Redis that is empty, like redis://host/9")
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # so that all is taken away again
    with own_database():
        row = measure(asked)
    print(json.dumps(row, indent=2) if asked.json else _table(row))


def _table(row: dict[str, Any]) -> str:
    lines = ["| kind | answers | p50 s | p95 s | max s |", "|---|---|---:|---:|---:|"]
    for kind, told in row["by_kind"].items():
        codes = ", ".join(f"{code}: {n}" for code, n in told["answers"].items())
        lines.append(f"| {kind} | {codes} | {told['p50_s']} | {told['p95_s']} | {told['max_s']} |")
    lines += ["", "| process | RSS at the start, MiB | at the end |", "|---|---:|---:|"]
    for name, told in row["memory_mib"].items():
        lines.append(f"| {name} | {told['start']} | {told['end']} |")
    rest = ("by_kind", "memory_mib")
    return "\n".join([*lines, "", json.dumps({k: v for k, v in row.items() if k not in rest})])


if __name__ == "__main__":
    main()
