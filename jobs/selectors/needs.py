"""What a job's building needs beside labor: which phases dig, and which wait for what material."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from contractor.trade.errors import SpecError
from contractor.trade.phases import INSPECTIONS, REWORK, JobNetwork, job_network
from jobs.selectors.buildings import building_of

if TYPE_CHECKING:
    from contractor.trade.building import Building
    from jobs.models import Job


def network_by_rows(job: Job) -> JobNetwork | None:
    """
    Return a job's network with the inspections that are among its phases.

    None where the building cannot be built as entered. Phases, doors and lean-tos must be loaded.
    """
    codes = frozenset(phase.code for phase in job.phases.all())
    try:
        return _network(building_of(job), codes & INSPECTIONS, codes & REWORK)
    except SpecError:
        return None


def dig_phases(job: Job) -> tuple[str, ...]:
    """Return the phases of a job that need a live locate ticket."""
    network = network_by_rows(job)
    return network.dig_phases if network else ()


def held_phase(job: Job, item: str) -> str | None:
    """Return the phase that waits for an item, None where the building needs none of it."""
    network = network_by_rows(job)
    return dict(network.deliveries).get(item) if network else None


@lru_cache(maxsize=4096)
def _network(building: Building, visits: frozenset[str], rework: frozenset[str]) -> JobNetwork:
    return job_network(building=building, inspections=visits, rework=rework)
