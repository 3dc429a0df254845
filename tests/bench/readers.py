"""How the owner's API answers many readers at once, on gunicorn and PostgreSQL.

    DATABASE_URL=postgres://… REDIS_URL=redis://… python -m tests.bench.readers --jobs 60 --json

A firm publishes a plan and has a forecast. Then readers with sign-ins of their own ask one address
after the other, each as fast as it is answered, for some seconds: once all reading whole answers,
and once telling the ETag of what they have. Told are answers a second, the median and the 95th
percentile of the seconds an answer takes, by address, and how many were not 200 or 304. Meanwhile
a row is written so many times a second, as an answer is kept only until something changes. And
what each address costs one reader alone, in milliseconds of the processor, the least of some
answers: built, and as it was kept.
"""

import argparse
import asyncio
import json
import os
import socket
import subprocess
import sys
import threading
import time as clock
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from statistics import median, quantiles
from typing import Any
from urllib.parse import urlsplit

from tests.bench.database import own_database

ADDRESSES = (
    "/api/v1/jobs/",
    "/api/v1/backlog/",
    "/api/v1/crews/",
    "/api/v1/bookings/",
    "/api/v1/forecasts/",
    "/api/v1/slips/",
    "/api/v1/holds/",
    "/api/v1/plans/",
)
ALONE = (
    *ADDRESSES,
    "/api/v1/jobs/26-0001/",
    "/api/v1/jobs/26-0001/pours/",
    "/api/v1/days-off/",
    "/api/v1/lent-people/",
    "/api/v1/set-aside/",
    "/api/v1/callbacks/",
    "/api/v1/plans/{plan}/",
    "/api/v1/plans/{plan}/comparison/",
    "/api/v1/plans/{plan}/crews/",
    "/api/v1/inspections/",
    "/api/v1/ticket-warnings/",
    "/api/v1/call-ahead/",
    "/api/v1/weather/",
    "/api/v1/stopped-crews/",
    "/api/v1/calibration/",
    "/api/v1/reports/",
    "/api/v1/ppc/",
)
TRIES_ALONE = 5


def measure(
    *, jobs: int, crews: int, readers: int, seconds: float, workers: int, writes: float
) -> dict[str, Any]:
    """Return what the readers met."""
    from django.utils import timezone

    from jobs.services import forecasting, planning, publishing
    from tests.bench.firm_of_size import build_firm

    now = timezone.now()
    build_firm(jobs=jobs, crews=crews, now=now)
    plan = planning.plan_now(now=now, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=now)
    forecasting.forecast_now(now=now, draws=200)
    alone = _alone(plan.pk)
    if not readers:
        return {"open_jobs": jobs, "alone": alone}
    cookies = [_signed_in(number) for number in range(readers)]
    port = _free_port()
    with _served(port=port, workers=workers), _written(writes):
        whole = asyncio.run(_read(port, cookies, seconds, remembers=False))
        known = asyncio.run(_read(port, cookies, seconds, remembers=True))
    return {
        "open_jobs": jobs,
        "readers": readers,
        "workers": workers,
        "writes a second": writes,
        "alone": alone,
        "whole answers": whole,
        "with ETag": known,
    }


def _alone(plan_id: int) -> dict[str, dict[str, float]]:
    """Return what each address costs in this process, without the way through a socket."""
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    from jobs.api.kept import KEPT

    client, found = _client("alone"), {}
    for address in (name.format(plan=plan_id) for name in ALONE):
        took: dict[bool, list[float]] = {True: [], False: []}
        for _ in range(TRIES_ALONE):
            KEPT.clear()
            for is_built in took:
                began = clock.process_time()
                answer = client.get(address)
                took[is_built].append(clock.process_time() - began)
        if answer.status_code != 200:
            raise AssertionError(f"{address} answers {answer.status_code}")
        KEPT.clear()
        with CaptureQueriesContext(connection) as queries:
            client.get(address)
        found[address] = {
            "built ms": round(min(took[True]) * 1000, 1),
            "kept ms": round(min(took[False]) * 1000, 1),
            "queries": len(queries),
            "kB": round(len(answer.content) / 1000, 1),
        }
    return found


def _signed_in(number: int) -> str:
    """Return the session of an owner of their own: the rate limit is by person."""
    return _client(f"reader{number}").cookies["sessionid"].value


def _client(name: str) -> Any:
    from django.contrib.auth.models import Group, User
    from django.test import Client

    from contractor import roles

    user = User.objects.create(username=name)
    user.groups.add(Group.objects.get(name=roles.OWNER))
    client = Client()
    client.force_login(user)
    return client


class _served:  # noqa: N801 - used as a statement
    """Gunicorn on the bench's database while the block runs."""

    def __init__(self, *, port: int, workers: int) -> None:
        from django.db import connection

        name = connection.settings_dict["NAME"]
        url = urlsplit(os.environ["DATABASE_URL"])._replace(path=f"/{name}").geturl()
        self.port = port
        self.command = [
            *(sys.executable, "-m", "gunicorn", "contractor.wsgi", "--bind", f"127.0.0.1:{port}"),
            *("--workers", str(workers), "--threads", "4", "--log-level", "warning"),
        ]
        self.environment = {**os.environ, "DATABASE_URL": url, "LOG_LEVEL": "ERROR"}

    def __enter__(self) -> None:
        self.process = subprocess.Popen(self.command, env=self.environment)
        deadline = clock.monotonic() + 60
        while clock.monotonic() < deadline:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    clock.sleep(5)  # the engine is loaded beside the first requests
                    return
            clock.sleep(0.1)
        raise AssertionError("gunicorn does not answer")

    def __exit__(self, *_: object) -> None:
        self.process.terminate()
        self.process.wait()


@contextmanager
def _written(times_a_second: float) -> Iterator[None]:
    """Write a row now and then while the block runs, on a connection of its own."""
    over = threading.Event()

    def write() -> None:
        from django.db import connection

        from jobs.models import Job

        try:
            while times_a_second and not over.wait(1 / times_a_second):
                Job.objects.filter(number="26-0001").update(site_town=f"{clock.time():.0f}")
        finally:
            connection.close()

    writer = threading.Thread(target=write)
    writer.start()
    try:
        yield
    finally:
        over.set()
        writer.join()


async def _read(port: int, cookies: list[str], seconds: float, *, remembers: bool) -> Any:
    import httpx

    took: dict[str, list[float]] = defaultdict(list)
    codes: Counter[int] = Counter()
    until = clock.perf_counter() + seconds

    async def reader(number: int, cookie: str) -> None:
        tags: dict[str, str] = {}
        base = f"http://127.0.0.1:{port}"
        async with httpx.AsyncClient(
            base_url=base, cookies={"sessionid": cookie}, timeout=60
        ) as client:
            turn = number
            while clock.perf_counter() < until:
                address = ADDRESSES[turn % len(ADDRESSES)]
                turn += 1
                known = {"If-None-Match": tags[address]} if address in tags else {}
                began = clock.perf_counter()
                answer = await client.get(address, headers=known)
                took[address].append(clock.perf_counter() - began)
                codes[answer.status_code] += 1
                if remembers and "ETag" in answer.headers:
                    tags[address] = answer.headers["ETag"]

    await asyncio.gather(*(reader(n, cookie) for n, cookie in enumerate(cookies)))
    every = [one for rows in took.values() for one in rows]
    return {
        "answers": dict(codes),
        "answers a second": round(len(every) / seconds, 1),
        "p50": round(median(every), 3),
        "p95": round(quantiles(every, n=20)[-1], 3),
        "p95 by address": {
            name: round(quantiles(rows, n=20)[-1], 3) for name, rows in sorted(took.items())
        },
    }


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def main() -> None:
    """Measure one size of firm."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--jobs", type=int, default=60)
    parser.add_argument("--crews", type=int, default=8)
    parser.add_argument("--readers", type=int, default=50, help="0: each address alone only")
    parser.add_argument("--seconds", type=float, default=20)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--writes", type=float, default=1, help="rows written a second")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    if asked.readers and not os.environ.get("DATABASE_URL", "").startswith("postgres"):
        parser.error("set DATABASE_URL to postgres://…: two processes cannot share one in memory")
    with own_database():
        row = measure(
            jobs=asked.jobs,
            crews=asked.crews,
            readers=asked.readers,
            seconds=asked.seconds,
            workers=asked.workers,
            writes=asked.writes,
        )
    print(json.dumps(row, indent=2) if asked.json else row)


if __name__ == "__main__":
    main()
