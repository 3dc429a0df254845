"""
The booking board in a real Chromium: how soon it can be used, and how long a move's answer takes.

    python -m tests.bench.board [--crews 5 20 60] [--jobs-per-crew 13] [--weeks 26]
                                [--straight] [--json]

Plans a firm of each size, serves the board from this process, opens it signed in, scrolls it from
corner to corner, picks bars, and asks for moves by keyboard. `cpu_ms` is the view alone by
Django's test client, of the processor; `ready_ms` is from the address to the moment at which keys
and pointer work; `frame_ms` the longest frame while scrolling. All are medians of a few runs, but
for the longest. With --straight, one size at a time.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import sys
import time
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Page

NOW = datetime(2026, 6, 1, 6, 0, tzinfo=ZoneInfo("America/New_York"))
RUNS = 5
SCROLL = """
async () => {
  const region = document.querySelector('.board-scroll');
  const frames = [];
  let last = performance.now();
  const steps = 90;
  for (let n = 1; n <= steps; n++) {
    const down = ((n * 7) % steps) / steps;
    region.scrollTo(region.scrollWidth * n / steps, region.scrollHeight * down);
    await new Promise(requestAnimationFrame);
    const now = performance.now();
    frames.push(now - last);
    last = now;
  }
  frames.sort((a, b) => a - b);
  return {median: frames[Math.floor(steps / 2)], p95: frames[Math.floor(steps * 0.95)],
          longest: frames[steps - 1]};
}
"""


@contextmanager
def served() -> Iterator[str]:
    """Serve this process's database on a port of its own; give the address."""
    from django.contrib.staticfiles.handlers import StaticFilesHandler
    from django.db import connections
    from django.test.testcases import LiveServerThread

    shared = {c.alias: c for c in connections.all() if c.vendor == "sqlite"}
    for connection in shared.values():
        connection.inc_thread_sharing()
    thread = LiveServerThread("localhost", StaticFilesHandler, connections_override=shared)
    thread.daemon = True
    thread.start()
    thread.is_ready.wait()
    if thread.error:
        raise thread.error
    try:
        yield f"http://localhost:{thread.port}"
    finally:
        thread.terminate()


def measure(page: Page, address: str, *, weeks: int) -> dict[str, Any]:
    """Return what a board takes in the browser."""
    from jobs.models import Booking

    ready = []
    for _ in range(RUNS):
        page.goto(f"{address}/admin/board/?weeks={weeks}")
        page.wait_for_selector("#board[data-ready]")
        mark = "performance.getEntriesByName('board-ready')[0].startTime"
        ready.append(page.evaluate(mark))
    found: dict[str, Any] = {
        "weeks": weeks,
        "bars": page.locator("a.bar").count(),
        "bookings": Booking.objects.count(),
        "ready_ms": round(statistics.median(ready)),
        "frame_ms": {k: round(v, 1) for k, v in page.evaluate(SCROLL).items()},
    }
    return found


def moves(page: Page, address: str) -> dict[str, Any]:
    """Return the milliseconds from a key to the answer on the page: pick, ask, accept, undo."""
    page.goto(f"{address}/admin/board/?weeks=3")
    page.wait_for_selector("#board[data-ready]")
    picks, asks, accepts, undos = [], [], [], []
    movable = page.locator('.board-row[data-row^="crew-"] a.bar[data-m]')
    for n in range(RUNS):
        bar = movable.nth(n * 3)
        bar.focus()
        _clear(page)
        picks.append(_timed(page, lambda: page.keyboard.press("Enter"), "[data-picked]"))
        bar.focus()
        _clear(page)
        page.keyboard.press("m")
        page.keyboard.press("ArrowRight")
        page.keyboard.press("ArrowRight")
        asks.append(_timed(page, lambda: page.keyboard.press("Enter"), ".board-answer"))
        accept = page.get_by_role("button", name="Accept")
        if accept.count():
            accepts.append(_timed(page, accept.click, "h2:has-text('Accepted')"))
            undo = page.locator("#board-panel").get_by_role("button", name="Undo")
            undos.append(_timed(page, undo.click, "h2:has-text('Undone')"))
    named = {"pick_ms": picks, "ask_ms": asks, "accept_ms": accepts, "undo_ms": undos}
    return {k: round(statistics.median(v)) for k, v in named.items() if v} | {
        "answered": len(accepts),
        "asked": len(asks),
    }


def _clear(page: Page) -> None:
    page.evaluate("document.getElementById('board-panel').replaceChildren()")


def _timed(page: Page, act: Any, until: str) -> float:
    began = time.perf_counter()
    act()
    page.wait_for_selector(f"#board-panel {until}", timeout=120_000)
    return (time.perf_counter() - began) * 1000


def server(query: str) -> dict[str, int]:
    """Return the view's median milliseconds of the processor, its queries, and its answer's kB."""
    from django.contrib.auth.models import User
    from django.db import connection
    from django.test import Client
    from django.test.utils import CaptureQueriesContext

    client = Client()
    client.force_login(User.objects.get(username="ann"))
    times = []
    for _ in range(RUNS):
        began = time.process_time()
        with CaptureQueriesContext(connection) as queries:
            answer = client.get(f"/admin/board/grid/?{query}")
        times.append((time.process_time() - began) * 1000)
    return {
        "cpu_ms": round(statistics.median(times)),
        "queries": len(queries),
        "kB": len(answer.content) // 1000,
    }


def write_bookings(*, crews: int, weeks: int) -> None:
    """Write a published plan straight, without planning: each crew has a phase on each workday."""
    from django.contrib.auth.models import User

    from crews.models import Crew
    from jobs.models import Booking, Job, Phase, Plan
    from jobs.selectors.job_progress import CREW_PHASES
    from tests.factories import CrewFactory, FirmFactory, JobFactory, WorkHoursFactory

    FirmFactory()
    User.objects.create(username="ann", is_staff=True, is_superuser=True)
    week = WorkHoursFactory()
    for _ in range(crews):
        CrewFactory(work_hours=week)
    codes = [code for code in CREW_PHASES if "REWORK" not in code][:10]
    days = [NOW + timedelta(days=n, hours=1) for n in range(7 * weeks)]
    days = [day for day in days if day.weekday() < 5]
    model = JobFactory(number="26-00000", promised_on=NOW.date() + timedelta(days=40))
    per_crew = -(-len(days) // len(codes))
    columns = {f.attname: getattr(model, f.attname) for f in Job._meta.concrete_fields}
    del columns["id"]
    jobs = Job.objects.bulk_create(
        Job(**(columns | {"number": f"26-{n:05d}"})) for n in range(1, crews * per_crew + 1)
    )
    phases = Phase.objects.bulk_create(
        Phase(job=job, code=code, sequence=n, labor_hours=32)
        for job in jobs
        for n, code in enumerate(codes)
    )
    plan = Plan.objects.create(
        status="PUBLISHED", as_of=NOW, made_at=NOW, published_at=NOW, source="bench", seconds=0
    )
    rows = []
    for index, crew in enumerate(Crew.objects.order_by("pk")):
        first = index * per_crew * len(codes)
        for n, day in enumerate(days):
            rows.append(
                Booking(
                    plan=plan,
                    phase=phases[first + n],
                    crew=crew,
                    starts_at=day,
                    ends_at=day + timedelta(hours=8),
                    work_hours=8,
                    because="After the phase before it",
                    because_kind="LINK",
                    because_phase=phases[first + n - 1] if n % len(codes) else None,
                    is_live=True,
                )
            )
    Booking.objects.bulk_create(rows)


def one_size(
    crews: int, *, per_crew: int, weeks: int, picture: str, straight: bool
) -> dict[str, Any]:
    """Return the figures of a firm of so many crews, in a database of its own."""
    import time_machine
    from django.contrib.auth.models import User
    from playwright.sync_api import sync_playwright

    from jobs.services import planning, publishing
    from tests.bench.firm_of_size import build_firm
    from tests.browser.conftest import CHROMIUM_ARGS

    with time_machine.travel(NOW, tick=True):
        found: dict[str, Any] = {"crews": crews}
        if straight:
            write_bookings(crews=crews, weeks=weeks)
        else:
            build_firm(jobs=crews * per_crew, crews=crews, now=NOW)
            User.objects.filter(username="ann").update(is_staff=True, is_superuser=True)
            began = time.perf_counter()
            made = planning.plan_now(now=NOW, budget_seconds=0)
            publishing.publish(plan_id=made.pk, now=NOW)
            found["jobs"] = crews * per_crew
            found["planned_s"] = round(time.perf_counter() - began, 1)
        for shown in (3, weeks):
            found[f"grid_{shown}w"] = server(f"weeks={shown}")
        with served() as address, sync_playwright() as playwright:
            chromium = playwright.chromium.launch(
                executable_path=os.environ.get("CHROMIUM", "/usr/bin/chromium"), args=CHROMIUM_ARGS
            )
            context = chromium.new_context(viewport={"width": 1280, "height": 900})
            _sign_in(context, address)
            page = context.new_page()
            page.set_default_timeout(120_000)
            for shown in (3, weeks):
                found[f"page_{shown}w"] = measure(page, address, weeks=shown)
                if picture:
                    page.screenshot(path=f"{picture}-{crews}-{shown}.png")
            if not straight:
                found["moves"] = moves(page, address)
            if picture:
                page.screenshot(path=f"{picture}-{crews}-moved.png")
            chromium.close()
    return found


def _sign_in(context: Any, address: str) -> None:
    """Give the browser a session, as its own page of signing in would."""
    from django.contrib.auth.models import User
    from django.test import Client

    client = Client()
    client.force_login(User.objects.get(username="ann"))
    context.add_cookies(
        [{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": address}]
    )


def main(argv: list[str] | None = None) -> int:
    """Run the sizes one after the other and print what they took."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--crews", type=int, nargs="+", default=[5, 20, 60])
    parser.add_argument("--jobs-per-crew", type=int, default=13)
    parser.add_argument("--weeks", type=int, default=26, choices=(8, 26))
    parser.add_argument("--picture", default="", help="where pictures go, without the ending")
    parser.add_argument(
        "--straight", action="store_true", help="write bookings without planning; no moves"
    )
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args(argv)
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    from tests.bench.database import own_database

    rows = []
    for crews in given.crews:
        with own_database():
            row = one_size(
                crews,
                per_crew=given.jobs_per_crew,
                weeks=given.weeks,
                picture=given.picture,
                straight=given.straight,
            )
        rows.append(row)
        print(json.dumps(row) if given.json else row, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
