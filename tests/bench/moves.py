"""
Moves of the board by the service alone: tried, accepted, undone, refused with the nearest date.

    python -m tests.bench.moves [--crews 5 20 60] [--jobs-per-crew 13] [--json]

Plans and publishes a firm of each size, then moves one phase after the other by two working weeks.
Times are medians of a few moves, in milliseconds of the processor, without page or network; the
database's own stand beside them, as those by the clock are longer. `queries` are those of one try.

The first try after anything has changed reads the work, a try after a try does not: `again`. That
needs a database outside the process (DATABASE_URL), as one in memory says nothing of its state.
Beside them stands one repair of the whole plan, which every move makes at least once.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import time
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from collections.abc import Callable

NOW = datetime(2026, 6, 1, 6, 0, tzinfo=ZoneInfo("America/New_York"))
RUNS = 5
LATER = timedelta(days=14)


def timed(act: Callable[[], Any]) -> tuple[float, Any]:
    """Return the milliseconds of the processor that a call takes, and what it gives."""
    began = time.process_time()
    given = act()
    return (time.process_time() - began) * 1000, given


def one_size(crews: int, *, per_crew: int) -> dict[str, Any]:
    """Return the figures of a firm of so many crews."""
    import time_machine
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    from jobs.models import Booking
    from jobs.services import moves, planning, publishing
    from tests.bench.firm_of_size import build_firm

    with time_machine.travel(NOW, tick=True):
        build_firm(jobs=crews * per_crew, crews=crews, now=NOW)
        plan = planning.plan_now(now=NOW, budget_seconds=0)
        publishing.publish(plan_id=plan.pk, now=NOW)
        repair_ms, _ = timed(lambda: planning.repair(now=NOW))
        rows = list(
            Booking.objects.filter(plan=plan, phase__code="FRAME", starts_at__gt=NOW + LATER)
            .order_by("starts_at")
            .values_list("phase", "crew", "starts_at")[: RUNS * 7 : 7]
        )
        took: dict[str, list[float]] = {
            name: [] for name in ("try_ms", "again_ms", "again_by_clock_ms", "accept_ms", "undo_ms")
        }
        moved, queries, queries_again = [], 0, 0
        for phase, crew, starts_at in rows:
            move = moves.MovePhase(phase, crew, day=(starts_at + LATER).date())
            try:
                with CaptureQueriesContext(connection) as asked:
                    ms, answer = timed(lambda move=move: moves.try_move(move=move, now=NOW))
            except moves.MoveRefused:
                continue
            queries = len(asked)
            took["try_ms"].append(ms)
            began = time.perf_counter()
            with CaptureQueriesContext(connection) as asked:
                ms, _ = timed(lambda move=move: moves.try_move(move=move, now=NOW))
            took["again_by_clock_ms"].append((time.perf_counter() - began) * 1000)
            queries_again = len(asked)
            took["again_ms"].append(ms)
            moved.append(len(answer.phases))
            ms, done = timed(
                lambda move=move, answer=answer: moves.accept_move(
                    move=move, now=NOW, seen=answer.version, shown=answer.digest
                )
            )
            took["accept_ms"].append(ms)
            ms, _ = timed(lambda done=done: moves.undo_move(move_id=done.move.pk, now=NOW))
            took["undo_ms"].append(ms)
        moves.try_move(move=moves.MovePhase(rows[0][0], None, starts_at=rows[0][2]), now=NOW)
        refused_ms, nearest = refused(rows[0][0])
    return {
        "crews": crews,
        "bookings": Booking.objects.filter(plan=plan).count(),
        "repair_ms": round(repair_ms),
        **{name: round(statistics.median(ms)) for name, ms in took.items() if ms},
        "refused_ms": round(refused_ms),
        "nearest_found": nearest,
        "phases_moved": moved,
        "queries": queries,
        "queries_again": queries_again,
    }


def refused(phase: int) -> tuple[float, bool]:
    """Return how long a refusal takes with its nearest date, of work far ahead asked for now."""
    from jobs.services import moves

    move = moves.MovePhase(phase, None, starts_at=NOW + timedelta(hours=2))
    began = time.process_time()
    try:
        moves.try_move(move=move, now=NOW)
    except moves.MoveRefused as refusal:
        return (time.process_time() - began) * 1000, refusal.nearest_start_at is not None
    raise AssertionError("framing began before its posts")


def main(argv: list[str] | None = None) -> int:
    """Run the sizes one after the other and print what they took."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--crews", type=int, nargs="+", default=[5, 20, 60])
    parser.add_argument("--jobs-per-crew", type=int, default=13)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args(argv)
    from tests.bench.database import own_database

    for crews in given.crews:
        with own_database():
            row = one_size(crews, per_crew=given.jobs_per_crew)
        print(json.dumps(row) if given.json else row, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
