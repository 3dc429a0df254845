"""Holds that are time alone: an agreed date, and concrete that still cures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.trade.phases import WaitKind
from jobs.models import Phase, Plan, PlannedWait
from jobs.selectors.hold_facts import Clears, HoldFact, HoldKind

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from jobs.models import Job


def agreed_holds(jobs: Sequence[Job], now: datetime) -> list[HoldFact]:
    """Return the earliest dates agreed for sites on which no work has begun; no query."""
    facts = []
    for job in jobs:
        phases, agreed = list(job.phases.all()), job.earliest_start_on
        first = next((p for p in phases if p.status == Phase.Status.OPEN), None)
        if agreed is None or first is None or any(phase.started_at for phase in phases):
            continue
        facts.append(
            HoldFact(
                job_id=job.pk,
                kind=HoldKind.EARLIEST_DATE,
                phase_code=first.code,
                what=f"not before {agreed:%b %-d, %Y}, as agreed for the site",
                clears=Clears.BUYER,
                who=job.buyer_name,
                expected_on=agreed,
                cleared_on=agreed if agreed <= timezone.localdate(now) else None,
            )
        )
    return facts


def cure_holds(jobs: Sequence[Job], now: datetime) -> list[HoldFact]:
    """
    Return the concrete that is placed and has not its strength yet, as the newest plan has it.

    The plan waits by the concrete's own clock, and is made again when a reading moves a gate.
    """
    plan = Plan.objects.exclude(status=Plan.Status.REPLACED).order_by("-id").first()
    if plan is None:
        return []
    status = {(job.pk, p.code): p.status for job in jobs for p in job.phases.all()}
    waits = PlannedWait.objects.filter(
        plan=plan, kind=WaitKind.CURE.value, ends_at__gt=now, job__in=[job.pk for job in jobs]
    )
    return [
        HoldFact(
            job_id=wait.job_id,
            kind=HoldKind.CURE,
            phase_code=wait.before_code,
            what=wait.basis,
            clears=Clears.NOBODY,
            since=timezone.localdate(wait.starts_at),
            expected_on=timezone.localdate(wait.ends_at),
        )
        for wait in waits.order_by("starts_at", "id")
        if status.get((wait.job_id, wait.after_code)) == Phase.Status.DONE
        and status.get((wait.job_id, wait.before_code)) == Phase.Status.OPEN
    ]
