"""
What finished work says about the next: log-normal factors of planned hours, by kind and crew.

A factor is actual over planned hours; its logarithm is taken as normal with unknown mean and
variance, for which the normal-inverse-gamma distribution is conjugate (Murphy 2007, from memory;
tests compare with scipy). Kinds of work are drawn toward what was known before any job, crews
toward the firm, and one crew at one kind toward both.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from scipy.special import stdtrit

__all__ = ["CREW_SPREAD", "STARTER", "Belief", "Beliefs", "Finished", "Prediction", "learn"]


@dataclass(frozen=True, slots=True)
class Prediction:
    """The next factor's logarithm: Student's t with `freedom`, around `mean`, of `scale`."""

    mean: float
    scale: float
    freedom: float

    def factor(self, share: float) -> float:
        """Return the factor that is not exceeded with a chance of `share`."""
        if not 0 < share < 1:
            raise ValueError(f"share {share}: enter a share above 0 and below 1")
        return float(math.exp(self.mean + self.scale * stdtrit(self.freedom, share)))

    @property
    def log_sd(self) -> float:
        """Return the standard deviation of the logarithm; freedom is above 2 in all beliefs."""
        return self.scale * math.sqrt(self.freedom / (self.freedom - 2))


@dataclass(frozen=True, slots=True)
class Belief:
    """
    What is believed of mean and variance of log factors: normal-inverse-gamma.

    `mean` counts as much as `weight` jobs do; the variance is inverse-gamma with `shape`, above 1,
    and `scale`.
    """

    mean: float
    weight: float
    shape: float
    scale: float

    def __post_init__(self) -> None:
        if not (self.weight > 0 and self.shape > 1 and self.scale > 0):
            raise ValueError(
                f"belief weight {self.weight}, shape {self.shape}, scale {self.scale}: "
                "weight and scale are above 0, shape above 1"
            )

    @property
    def variance(self) -> float:
        """Return the expected variance of a log factor."""
        return self.scale / (self.shape - 1)

    @property
    def doubt(self) -> float:
        """Return the share of the next log factor's variance that comes from not knowing the mean.

        All the work that a belief tells of has this part in common.
        """
        return 1 / (self.weight + 1)

    def after(self, logs: Sequence[float], shares: Sequence[float] = ()) -> "Belief":
        """
        Return the belief after these log factors were seen, in whatever order.

        `shares` says how much of a phase each tells of, a whole one unless it is given: the parts
        of a phase have its site and its day in common, and count together as one.
        """
        if not logs:
            return self
        pairs = list(zip(logs, shares or [1.0] * len(logs), strict=True))
        count = math.fsum(share for _, share in pairs)
        mean = math.fsum(share * value for value, share in pairs) / count
        squares = math.fsum(share * (value - mean) ** 2 for value, share in pairs)
        weight = self.weight + count
        return Belief(
            mean=(self.weight * self.mean + count * mean) / weight,
            weight=weight,
            shape=self.shape + count / 2,
            scale=self.scale
            + squares / 2
            + self.weight * count * (mean - self.mean) ** 2 / (2 * weight),
        )

    def prediction(self) -> Prediction:
        """Return what to expect of the next factor."""
        spread = self.scale * (self.weight + 1) / (self.shape * self.weight)
        return Prediction(self.mean, math.sqrt(spread), 2 * self.shape)

    def weighing(self, weight: float, mean: float) -> "Belief":
        """Return a belief around another mean that counts as `weight` jobs, as wide as this."""
        shape = min(self.shape, 1 + weight / 2)
        return Belief(mean, weight, shape, self.variance * (shape - 1))


# Before any job is finished: the planned hours are right on average, and a factor lies within
# about a third of that two times in three. It counts as four jobs. Our own.
STARTER = Belief(mean=0.0, weight=4.0, shape=3.0, scale=2 * 0.3**2)
CREW_SPREAD = 0.15
"""Standard deviation of crews' mean log factors around the firm's; our own."""
CELL_WEIGHT = 6.0
"""As many jobs does what is known of kind and crew count against a crew's own at the kind."""


@dataclass(frozen=True, slots=True)
class Finished:
    """A finished phase, or a share of one, of a kind by a crew (None: not by a crew of ours)."""

    kind: str
    crew: str | None
    planned_hours: float
    actual_hours: float
    share_of_phase: float = 1.0

    def __post_init__(self) -> None:
        if not 0 < self.share_of_phase <= 1:
            raise ValueError(f"share_of_phase {self.share_of_phase}: enter above 0, at most 1")
        for name in ("planned_hours", "actual_hours"):
            value = getattr(self, name)
            if not 0 < value < math.inf:
                raise ValueError(f"{name} {value}: enter hours above 0, or leave the work out")

    @property
    def log_factor(self) -> float:
        """Return the logarithm of actual over planned."""
        return math.log(self.actual_hours / self.planned_hours)


@dataclass(frozen=True, slots=True)
class Beliefs:
    """By kind, by crew (its mean log factor beside the firm's), and by both."""

    by_kind: Mapping[str, Belief]
    by_crew: Mapping[str, float]
    by_both: Mapping[tuple[str, str], Belief]

    def of(self, kind: str, crew: str | None) -> Belief:
        """Return the closest belief there is for a kind and a crew."""
        own = self.by_kind.get(kind, STARTER)
        if crew is None:
            return own
        both = self.by_both.get((kind, crew))
        return both or own.weighing(
            min(CELL_WEIGHT, own.weight), own.mean + self.by_crew.get(crew, 0.0)
        )


def learn(
    finished: Iterable[Finished],
    *,
    starter: Belief = STARTER,
    crew_spread: float = CREW_SPREAD,
) -> Beliefs:
    """
    Return what finished work says, in whatever order it is given.

    Raises ValueError for a `crew_spread` that is not above 0.
    """
    if crew_spread <= 0:
        raise ValueError(f"crew_spread {crew_spread}: enter a standard deviation above 0")
    rows = sorted(
        finished, key=lambda row: (row.kind, row.crew or "", row.log_factor, row.share_of_phase)
    )
    kinds: dict[str, list[Finished]] = {}
    crews: dict[str, list[Finished]] = {}
    both: dict[tuple[str, str], list[Finished]] = {}
    for row in rows:
        kinds.setdefault(row.kind, []).append(row)
        if row.crew is not None:
            crews.setdefault(row.crew, []).append(row)
            both.setdefault((row.kind, row.crew), []).append(row)
    by_kind = {kind: _after(starter, done) for kind, done in kinds.items()}
    by_crew = {crew: _shrunk(done, by_kind, crew_spread) for crew, done in crews.items()}
    by_both = {}
    for (kind, crew), done in both.items():
        own = by_kind[kind]
        prior = own.weighing(min(CELL_WEIGHT, own.weight), own.mean + by_crew[crew])
        by_both[kind, crew] = _after(prior, done)
    return Beliefs(by_kind, by_crew, by_both)


def _after(prior: Belief, done: Sequence[Finished]) -> Belief:
    return prior.after([row.log_factor for row in done], [row.share_of_phase for row in done])


def _shrunk(done: Sequence[Finished], by_kind: Mapping[str, Belief], crew_spread: float) -> float:
    """Return a crew's mean beside the firm's, drawn toward nothing where its work says little."""
    count = math.fsum(row.share_of_phase for row in done)
    beside = math.fsum(
        row.share_of_phase * (row.log_factor - by_kind[row.kind].mean) for row in done
    )
    noise = math.fsum(row.share_of_phase * by_kind[row.kind].variance for row in done)
    return beside / count * crew_spread**2 / (crew_spread**2 + noise / count / count)
