"""A repaired draft after a slip or a rain day: made, accepted, or dropped with a reason."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db import IntegrityError, transaction

from jobs.models import Plan, ReplanProposal
from jobs.selectors import plans
from jobs.services import plan_making, publishing

if TYPE_CHECKING:
    from datetime import datetime

    from django.contrib.auth.models import User

    from jobs.services.plan_making import Proposal
    from jobs.services.slips import Compared

State = ReplanProposal.State


class AlreadyDecided(Exception):  # noqa: N818 - an answer with its reason
    """A proposal that somebody has accepted or dropped, or that a newer plan has overtaken."""


def propose(*, reason: str, now: datetime) -> ReplanProposal:
    """
    Return the open proposal: the draft that moves least of what people were told, as of `now`.

    A draft that is there and made of the same work is taken as it is. There is one proposal at a
    time; facts that come while it waits give it a new draft and add to its reason. Raises as
    `planning.plan_now`; nothing is stored then.
    """
    made = plan_making.repair(now=now)
    try:
        return _kept(made, reason=reason, now=now)
    except IntegrityError:
        # Somebody proposed at the same moment: theirs is there by now, to be added to.
        return _kept(made, reason=reason, now=now)


def accept(
    *, proposal_id: int, plan_id: int, now: datetime, by: User | None = None
) -> publishing.Published:
    """
    Publish the draft that a proposal showed, and return what that changed.

    Raises
    ------
    AlreadyDecided
        If somebody was first, or the proposal shows another draft by now.
    jobs.services.publishing.PublishRefused
        As for any draft; the proposal then stays open.
    """
    with transaction.atomic():
        row = _open(proposal_id)
        row.plan = current_plan(row)
        if row.plan.pk != plan_id:
            raise AlreadyDecided(f"{row} shows {row.plan} by now. Look at it again.")
        row.save(update_fields=["plan"])
        return publishing.publish(plan_id=row.plan.pk, now=now, by=by)


def drop(*, proposal_id: int, reason: str, now: datetime, by: User | None = None) -> None:
    """
    Drop a proposal and its draft for a reason; what is published stays.

    Raises
    ------
    AlreadyDecided
        If somebody was first.
    ValueError
        Without a reason.
    """
    said = reason.strip()
    if not said:
        raise ValueError(f"reason {reason!r}: say why the proposal is dropped.")
    with transaction.atomic():
        row = _open(proposal_id)
        Plan.objects.filter(pk=current_plan(row).pk, status=Plan.Status.DRAFT).update(
            status=Plan.Status.REPLACED
        )
        row.state, row.drop_reason = State.DROPPED, said[:200]
        row.decided_at, row.decided_by = now, by
        row.save()


def current_plan(row: ReplanProposal) -> Plan:
    """Return the draft that a proposal shows: its own, or the newer one in its place."""
    if row.state != State.OPEN or row.plan.status == Plan.Status.DRAFT:
        return row.plan
    return plans.latest_draft() or row.plan


def reason_of(found: Compared) -> str:
    """Return in words what a comparison found, as the reason of a proposal."""
    slips = [*found.new, *found.grown]
    first = max(slips, key=lambda slip: slip.job_quarters)
    others = f", and {len(slips) - 1} more" if len(slips) > 1 else ""
    return f"{first.what[:150]}{others}"


@transaction.atomic
def _kept(made: Proposal, *, reason: str, now: datetime) -> ReplanProposal:
    there = plans.latest_draft()
    same = there is not None and there.state == made.state
    draft = there if same and there else plan_making.store(made)
    row = ReplanProposal.objects.select_for_update().filter(state=State.OPEN).first()
    if row is None:
        row = ReplanProposal(state=State.OPEN, made_at=now, reason=reason[:200])
    elif reason not in row.reason:
        row.reason = f"{reason}; {row.reason}"[:200]
    row.plan = draft
    row.save()
    return row


def _open(proposal_id: int) -> ReplanProposal:
    row = ReplanProposal.objects.select_for_update().select_related("plan").get(pk=proposal_id)
    if row.state != State.OPEN:
        raise AlreadyDecided(
            f"{row} is no longer open: {row.get_state_display().lower()}. Look at the newest one."
        )
    return row
