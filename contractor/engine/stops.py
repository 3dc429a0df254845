"""When a search is to stop: after so many seconds, so many iterations, or when someone says so."""

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

__all__ = ["AnyStop", "CancelStop", "IterationStop", "Progress", "SecondsStop", "Stop"]

Progress = Callable[[int, float], None]
"""Called with the number of iterations and the best total so far."""


class Stop(Protocol):
    """Says whether to stop, given the iterations done and the best total so far."""

    def __call__(self, iterations: int, best: float) -> bool: ...

    def used(self, iterations: int) -> float:
        """Return the share of the budget that is used, from 0 to 1; a search cools down by it."""
        ...


@dataclass(frozen=True, slots=True)
class IterationStop:
    """Stop after `limit` iterations: the same seed then gives the same plan."""

    limit: int

    def __call__(self, iterations: int, best: float) -> bool:
        return iterations >= self.limit

    def used(self, iterations: int) -> float:
        return min(1.0, iterations / max(self.limit, 1))


@dataclass(slots=True)
class SecondsStop:
    """Stop `seconds` after this was made, so the time for the first plan counts too."""

    seconds: float
    clock: Callable[[], float] = time.monotonic
    _began: float = field(init=False)

    def __post_init__(self) -> None:
        self._began = self.clock()

    def __call__(self, iterations: int, best: float) -> bool:
        return self.left() <= 0

    def used(self, iterations: int) -> float:
        return 1.0 if self.seconds <= 0 else min(1.0, 1.0 - self.left() / self.seconds)

    def left(self) -> float:
        """Return the seconds that are left; none or less when the time is up."""
        return self._began + self.seconds - self.clock()


@dataclass(frozen=True, slots=True)
class CancelStop:
    """Stop when `cancelled` says so; it is asked between chunks of iterations."""

    cancelled: Callable[[], bool]

    def __call__(self, iterations: int, best: float) -> bool:
        return self.cancelled()

    def used(self, iterations: int) -> float:
        return 0.0


@dataclass(frozen=True, slots=True)
class AnyStop:
    """Stop as soon as one of `stops` does."""

    stops: tuple[Stop, ...]

    def __call__(self, iterations: int, best: float) -> bool:
        return any(stop(iterations, best) for stop in self.stops)

    def used(self, iterations: int) -> float:
        return max((stop.used(iterations) for stop in self.stops), default=0.0)
