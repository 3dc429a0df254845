"""The office takes what an early finish allows inside the freeze, too."""

from __future__ import annotations

from typing import TYPE_CHECKING

from jobs.models import Job, Plan
from jobs.services import plan_making

if TYPE_CHECKING:
    from datetime import datetime


class NothingEarlier(Exception):  # noqa: N818 - an answer with its reason
    """Nothing of the job can begin sooner than people were told."""


def pull_forward(*, job_id: int, now: datetime) -> Plan:
    """
    Return a new draft that begins a job's told work as early as what is done early allows.

    Everything else stays as in any repair. Nothing is pinned and no better draft is looked for:
    the next draft keeps what people were told again, unless this one is published.

    Raises
    ------
    NothingEarlier
        If nothing of the job moves; nothing is stored then.
    """
    proposal = plan_making.repair(now=now, forward=frozenset({job_id}))
    portfolio, placed = proposal.portfolio, proposal.result.schedule.placed
    for index, earlier in portfolio.earlier.items():
        place = placed[index]
        is_of_job = portfolio.stretches[index].first.job_id == job_id
        if is_of_job and place is not None and place.start < earlier.told:
            return plan_making.store(proposal)
    raise NothingEarlier(
        f"Nothing of job {Job.objects.get(pk=job_id).number} can begin sooner by now. "
        "Ask for a new plan to see how it stands."
    )
