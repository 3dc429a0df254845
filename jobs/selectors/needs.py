"""What a job's building needs beside labor: which phases dig, and which wait for what material."""

from __future__ import annotations

from typing import TYPE_CHECKING

from contractor.trade.errors import SpecError
from jobs.selectors.buildings import building_of
from jobs.selectors.networks import network_of

if TYPE_CHECKING:
    from contractor.trade.building import Building
    from contractor.trade.phases import JobNetwork
    from jobs.models import Job

# What these functions read of jobs, for `prefetch_related`, beside phases; with
# `select_related("permit__authority")` they then make no query.
NEEDED_ROWS = ("openings", "lean_tos", "permit__authority__inspection_rules")

_KEPT_AS = "_needs_built"


def built(job: Job) -> tuple[Building, JobNetwork] | None:
    """
    Return a job's building and network, None where it cannot be built as entered.

    It is worked out once for each object, since holds, tickets and deliveries ask in turn: read a
    job anew that was written since.
    """
    if _KEPT_AS not in job.__dict__:
        job.__dict__[_KEPT_AS] = _built(job)
    found: tuple[Building, JobNetwork] | None = job.__dict__[_KEPT_AS]
    return found


def dig_phases(job: Job) -> tuple[str, ...]:
    """Return the phases of a job that need a live locate ticket."""
    found = built(job)
    return found[1].dig_phases if found else ()


def _built(job: Job) -> tuple[Building, JobNetwork] | None:
    try:
        building = building_of(job)
    except SpecError:
        return None
    return building, network_of(job, building)
