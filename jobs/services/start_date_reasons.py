"""What the time until a job's finish goes to, by its own way back from its last phase."""

from __future__ import annotations

from typing import TYPE_CHECKING

from contractor.engine.schedule import Bind
from contractor.engine.worktime import SLOTS_PER_DAY
from contractor.trade.phases import WaitKind
from jobs.selectors.crew_report import LABELS
from jobs.selectors.stored_plan import EARLIER_PHASE
from jobs.services.visit_activities import PHASES_OF_AUTHORITIES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from contractor.engine.problem import Link
    from contractor.engine.schedule import Because, Placed
    from jobs.services.portfolio import Portfolio
    from jobs.services.start_date_problem import OneMore
    from jobs.services.wait_tables import LinkNote

    _Told = tuple[Link, LinkNote | None]

WORK, QUEUE = "WORK", "QUEUE"
DIRECT = (Bind.NOW, Bind.RELEASE, Bind.LINK)
WORDS: Mapping[str, str] = {
    **LABELS,
    WORK: "the work itself, with its nights and weekends",
    QUEUE: "crews and machines that are busy, until the job can run through",
    Bind.CALENDAR.value: "nights, weekends and closings before a phase",
}


def days_by_reason(portfolio: Portfolio, one: OneMore) -> dict[str, float]:
    """
    Return the days from now to the job's finish by what they go to; they add up to all of them.

    From the last phase back: its work, what kept it from beginning once it was free to, the wait
    before that, and on with the phase that it waited for.
    """
    problem = portfolio.problem
    at: Placed | None = max(one.places, key=lambda place: place.finish)
    slots: dict[str, int] = {}
    links = _own_links(portfolio, one)

    def spend(kind: str, amount: int) -> None:
        slots[kind] = slots.get(kind, 0) + amount

    while at is not None:
        spend(WORK, at.finish - at.start)
        free = max((b for b in at.bounds if b.kind in DIRECT), key=lambda b: b.slot)
        # What was moved toward its follower may still say when it was free before that.
        free_at = min(free.slot, at.start)
        spend(_held_by(portfolio, one, at), at.start - free_at)
        leader = None if free.activity is None else one.schedule.placed[free.activity]
        if leader is None:
            spend(_released_by(portfolio, one, at, free), free_at - problem.now)
            break
        between = links.get((leader.activity, at.activity), [])
        together = any(link.start_to_start for link, _ in between)
        left_at = leader.start if together else leader.finish
        spend(_waited_for(portfolio, one, between, at), free_at - left_at)
        if left_at == leader.start:
            spend(WORK, leader.start - leader.finish)
        at = leader
    return {kind: amount / SLOTS_PER_DAY for kind, amount in slots.items() if amount}


def _held_by(portfolio: Portfolio, one: OneMore, at: Placed) -> str:
    """
    Return what kept a phase from beginning when it was free to.

    A phase that was moved toward its follower waits for what that one waits for, and a job that is
    begun later to run through waits for its crews.
    """
    seen = {at.activity}
    while at.because.kind is Bind.FLOW:
        follower = at.because.activity
        if follower is None or follower in seen:
            return QUEUE
        seen.add(follower)
        place = one.schedule.placed[follower]
        if place is None:
            return QUEUE
        at = place
    if at.because.kind is Bind.RELEASE:
        return _released_by(portfolio, one, at, at.because)
    held = [bound for bound in at.bounds if bound.kind not in (*DIRECT, Bind.CALENDAR)]
    if held:
        kind = max(held, key=lambda bound: bound.slot).kind
        return QUEUE if kind in (Bind.CREW, Bind.MACHINE, Bind.FLOW) else kind.value
    return QUEUE if len(seen) > 1 else Bind.CALENDAR.value


def _released_by(portfolio: Portfolio, one: OneMore, at: Placed, free: Because) -> str:
    """Return the kind of the hold that keeps a phase back from outside."""
    holds = portfolio.holds[one.rows[at.activity]]
    if free.kind is Bind.NOW or not holds:
        return Bind.NOW.value
    return max(holds, key=lambda hold: hold.ends).kind


def _own_links(portfolio: Portfolio, one: OneMore) -> Mapping[tuple[int, int], list[_Told]]:
    """Return the links among the activities of the unsold job, by the two ends of each."""
    own = {one.rows[i]: i for i in one.own}
    found: dict[tuple[int, int], list[_Told]] = {}
    for link, note in zip(portfolio.problem.links, portfolio.link_notes, strict=True):
        if link.before in own and link.after in own:
            found.setdefault((own[link.before], own[link.after]), []).append((link, note))
    return found


def _waited_for(portfolio: Portfolio, one: OneMore, between: Sequence[_Told], at: Placed) -> str:
    """Return the kind of the wait between two phases, told by the links between them."""
    for _, note in between:
        if note is not None:
            return note.kind
    # The wait for the next visit window is no wait of its own on a plan's page.
    is_visit = portfolio.stretches[one.rows[at.activity]].first.code in PHASES_OF_AUTHORITIES
    return WaitKind.INSPECTION_NOTICE.value if is_visit else EARLIER_PHASE
