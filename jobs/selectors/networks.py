"""A job's network: what its building, its authority and what has been inspected make of it."""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from contractor.trade.phases import REWORK, Follows, JobNetwork, job_network
from inspections.selectors.authority import USUAL_FRAME_HOLD, frame_hold_of, inspections_of
from jobs.models import Job, Phase

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from contractor.trade.building import Building


class RowLink(NamedTuple):
    """A link of a job's network, and the two of its rows that it joins."""

    follows: Follows
    before: Phase
    after: Phase


def network_of(job: Job, building: Building) -> JobNetwork:
    """
    Return a job's network under its authority's inspections; none where it is exempt.

    Rework and what is passed in part come from the job's own phases.
    """
    permit = getattr(job, "permit", None)
    live = [phase for phase in job.phases.all() if phase.status != Phase.Status.DROPPED]
    rework = frozenset(phase.code for phase in live) & REWORK
    partly_passed = frozenset(phase.code for phase in live if phase.partly_passed)
    if permit is None or permit.is_exempt:
        return _network(building, frozenset(), USUAL_FRAME_HOLD, rework, partly_passed)
    return _network(
        building,
        inspections_of(permit.authority, building),
        frame_hold_of(permit.authority, building),
        rework,
        partly_passed,
    )


def row_links(network: JobNetwork, phases: Iterable[Phase]) -> list[RowLink]:
    """
    Return the links of a network between a job's own rows, but those left out of it.

    The parts of a phase that was split are a chain. What the phase follows is before its first
    part, and what follows it comes after its last one, also where that may begin once the phase
    has begun: nothing then begins sooner than it could with the phase in one piece. A part that
    began out of turn is not held by the one before it, so it takes the phase's own links.
    """
    rows: dict[str, list[Phase]] = {}
    for phase in sorted(phases, key=lambda phase: phase.part):
        if phase.status != Phase.Status.DROPPED:
            rows.setdefault(phase.code, []).append(phase)
    links = [
        RowLink(follows, before, after)
        for follows in network.follows
        for before in _last_of_chains(rows.get(follows.before, ()))
        for after in _first_of_chains(rows.get(follows.after, ()))
    ]
    for code, parts in rows.items():
        chain = Follows(code, code, why="The part before it comes first.")
        links += [RowLink(chain, *pair) for pair in pairwise(parts) if _is_held(pair[1])]
    return links


def _first_of_chains(parts: Sequence[Phase]) -> list[Phase]:
    return [part for n, part in enumerate(parts) if n == 0 or not _follows_open(parts, n)]


def _last_of_chains(parts: Sequence[Phase]) -> list[Phase]:
    last = len(parts) - 1
    return [part for n, part in enumerate(parts) if n == last or not _is_held(parts[n + 1])]


def _follows_open(parts: Sequence[Phase], place: int) -> bool:
    """Return whether the part before one is still to begin and holds it."""
    return _is_held(parts[place]) and parts[place - 1].status == Phase.Status.OPEN


def _is_held(part: Phase) -> bool:
    """Return whether a part is still to begin, so that the one before it holds it."""
    return part.status == Phase.Status.OPEN


@lru_cache(maxsize=4096)
def _network(
    building: Building,
    inspections: frozenset[str],
    frame_holds: str,
    rework: frozenset[str],
    partly_passed: frozenset[str],
) -> JobNetwork:
    """Return a network, kept from plan to plan: a building seldom changes once it is sold."""
    return job_network(
        building=building,
        inspections=inspections,
        frame_holds=frame_holds,
        rework=rework,
        partly_passed=partly_passed,
    )
