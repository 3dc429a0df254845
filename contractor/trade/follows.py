"""What follows what: the links of a job's phases, and what a set of links says as a whole."""

import heapq
from collections.abc import Iterable
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter

from contractor.trade.phase_table import PHASE_TABLE


@dataclass(frozen=True, slots=True)
class CureNeed:
    """
    The share of 28-day strength to wait for, the cement type, and the least hours.

    Buried concrete cures at the ground's temperature; the rest at the air's, and protected
    in the cold.
    """

    strength_share: float
    cement: str
    minimum_hours: float
    buried: bool = False


@dataclass(frozen=True, slots=True)
class Follows:
    """
    One link: ``after`` starts when ``before`` is finished (or started) plus a lag.

    ``lag_hours`` and the cure run in elapsed, not working, hours. With ``same_visit`` the
    crew goes straight on from one to the other.
    """

    before: str
    after: str
    start_to_start: bool = False
    lag_hours: float = 0
    cure: CureNeed | None = None
    why: str = ""
    same_visit: bool = False


@dataclass(frozen=True, slots=True)
class JobNetwork:
    """
    The phases of one job in build order, their links, deliveries and digging.

    ``deliveries`` pairs an item with the phase it holds; ``dig_phases`` need a
    live locate ticket.
    """

    phases: tuple[str, ...]
    follows: tuple[Follows, ...]
    deliveries: tuple[tuple[str, str], ...] = ()
    dig_phases: tuple[str, ...] = ()

    def visit_begins_with(self, code: str) -> str:
        """Return the phase with which the crew's visit begins in which it does a phase."""
        return next((f.before for f in self.follows if f.same_visit and f.after == code), code)


def build_order(phases: Iterable[str], follows: Iterable[Follows]) -> tuple[str, ...]:
    """
    Return phases so that each comes after all it follows, else in table order.

    Raises ValueError that names the phases of a loop.
    """
    before: dict[str, set[str]] = {code: set() for code in phases}
    for link in follows:
        before[link.after].add(link.before)
    sorter = TopologicalSorter(before)
    try:
        sorter.prepare()
    except CycleError as error:
        loop = " → ".join(reversed(error.args[1]))
        raise ValueError(
            f"follows: the phases wait for one another in a loop ({loop}). Remove one of the links."
        ) from error
    rank = {code: index for index, code in enumerate(PHASE_TABLE)}
    ready = [(rank.get(code, len(rank)), code) for code in sorter.get_ready()]
    heapq.heapify(ready)
    order = []
    while ready:
        _, code = heapq.heappop(ready)
        order.append(code)
        sorter.done(code)
        for free in sorter.get_ready():
            heapq.heappush(ready, (rank.get(free, len(rank)), free))
    return tuple(order)


def bridged(links: Iterable[Follows], present: set[str]) -> list[Follows]:
    """Return the links among present phases, joined over each absent one."""
    kept = list(links)
    absent = {code for link in kept for code in (link.before, link.after)} - present
    for code in sorted(absent):
        into = [link for link in kept if link.after == code]
        out = [link for link in kept if link.before == code]
        kept = [link for link in kept if code not in (link.before, link.after)]
        kept += [_joined(first, second) for first in into for second in out]
    return kept


def _joined(first: Follows, second: Follows) -> Follows:
    """
    Return one link over an absent phase.

    Lags and cures on its two sides were there for its sake and go with it.
    """
    return Follows(first.before, second.after, why="Next in build order.")


def without_implied(links: Iterable[Follows]) -> list[Follows]:
    """Return the links without doubles and without those a chain of others already means."""
    strongest: dict[tuple[str, str], Follows] = {}
    for link in links:
        pair = (link.before, link.after)
        if pair not in strongest or _strength(link) > _strength(strongest[pair]):
            strongest[pair] = link
    kept = list(strongest.values())
    return [link for link in kept if _strength(link) > (1, 0, 0) or not _implied(link, kept)]


def _strength(link: Follows) -> tuple[int, float, float]:
    share = link.cure.strength_share if link.cure else 0.0
    return (0 if link.start_to_start else 1, share, link.lag_hours)


def _implied(link: Follows, links: list[Follows]) -> bool:
    if link.start_to_start:
        return False
    chain = [other for other in links if other is not link and not other.start_to_start]
    reached, frontier = set[str](), [link.before]
    while frontier:
        code = frontier.pop()
        for other in chain:
            if other.before == code and other.after not in reached:
                reached.add(other.after)
                frontier.append(other.after)
    return link.after in reached
