"""A job's network: what its building, its authority and what has been inspected make of it."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from contractor.trade.phases import REWORK, JobNetwork, job_network
from inspections.selectors.authority import USUAL_FRAME_HOLD, frame_hold_of, inspections_of
from jobs.models import Job, Phase

if TYPE_CHECKING:
    from contractor.trade.building import Building


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
