"""
The critical path of one job in elapsed hours, as if crews were unlimited.

It gives the earliest anything could happen and the float behind it: a floor
for every plan and a priority for the planner, never a promise.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from contractor.trade.phases import Follows, JobNetwork, build_order

# Differences below this are rounding, not float.
_NO_FLOAT_HOURS = 1e-9


@dataclass(frozen=True, slots=True)
class PhaseTiming:
    """Earliest and latest start and finish of a phase, in hours from the job's start."""

    earliest_start: float
    earliest_finish: float
    latest_start: float
    latest_finish: float
    free_float: float

    @property
    def total_float(self) -> float:
        """Return how long the phase may slip without moving the finish of the job."""
        return self.latest_finish - self.earliest_finish

    @property
    def critical(self) -> bool:
        """Return whether any slip of this phase moves the finish of the job."""
        return self.total_float <= _NO_FLOAT_HOURS


def wait_hours(link: Follows) -> float:
    """Return the least elapsed hours between the two phases of a link."""
    return link.lag_hours + (link.cure.minimum_hours if link.cure else 0.0)


def earliest_offsets(
    network: JobNetwork, durations_hours: Mapping[str, float]
) -> dict[str, tuple[float, float]]:
    """
    Return the earliest start and finish of each phase, in hours from the job's start.

    ``durations_hours`` has elapsed hours, 0 or more, for every phase. Cures
    count with their least hours. Raises ValueError for a missing or negative
    duration, for a link to an unknown phase, and for a loop, naming it.
    Source: the forward pass of the critical path method.
    """
    _check(network, durations_hours)
    starts = dict.fromkeys(build_order(network.phases, network.follows), 0.0)
    into: dict[str, list[Follows]] = {code: [] for code in starts}
    for link in network.follows:
        into[link.after].append(link)
    for code in starts:
        for link in into[code]:
            base = starts[link.before]
            if not link.start_to_start:
                base += durations_hours[link.before]
            starts[code] = max(starts[code], base + wait_hours(link))
    return {code: (start, start + durations_hours[code]) for code, start in starts.items()}


def phase_timings(
    network: JobNetwork, durations_hours: Mapping[str, float]
) -> dict[str, PhaseTiming]:
    """
    Return earliest and latest times and float of each phase, in hours.

    The finish of the job is the latest earliest finish. Total float is LF − EF;
    free float is the least gap to any follower. Raises as ``earliest_offsets``.
    Source: the backward pass of the critical path method.
    """
    early = earliest_offsets(network, durations_hours)
    end = max((finish for _, finish in early.values()), default=0.0)
    out: dict[str, list[Follows]] = {code: [] for code in early}
    for link in network.follows:
        out[link.before].append(link)
    latest_start: dict[str, float] = {}
    timings: dict[str, PhaseTiming] = {}
    for code in reversed(list(early)):
        duration = durations_hours[code]
        start, finish = early[code]
        latest, gap = end - duration, end - finish
        for link in out[code]:
            lead = wait_hours(link) + (0.0 if link.start_to_start else duration)
            latest = min(latest, latest_start[link.after] - lead)
            gap = min(gap, early[link.after][0] - lead - start)
        latest_start[code] = latest
        timings[code] = PhaseTiming(start, finish, latest, latest + duration, gap)
    return {code: timings[code] for code in early}


def _check(network: JobNetwork, durations_hours: Mapping[str, float]) -> None:
    known = set(network.phases)
    for link in network.follows:
        for code in (link.before, link.after):
            if code not in known:
                raise ValueError(
                    f"follows {link.before} → {link.after}: {code} is not a phase of this job. "
                    f"Enter one of {', '.join(network.phases)}."
                )
    for code in network.phases:
        hours = durations_hours.get(code)
        if hours is None or not 0 <= hours < float("inf"):
            raise ValueError(
                f"durations_hours[{code}] {hours}: every phase needs its hours. Enter 0 or more."
            )
