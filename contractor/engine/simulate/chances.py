"""What may go otherwise than planned, and how likely it is."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from contractor.engine.problem import Problem

__all__ = ["NO_CHANCES", "ActivityChances", "Chances", "CrewChances", "Gate", "WeatherChances"]


def _require(holds: bool, message: str) -> None:
    if not holds:
        raise ValueError(message)


@dataclass(frozen=True, slots=True)
class ActivityChances:
    """
    How one activity varies.

    Its work is the planned work times a log-normal factor with `log_mean` and `log_sd`. A release
    (a delivery) is late with `late_chance`, then by `late_days` on average (exponential, in days
    of the clock). A visit fails with `fail_chance` and comes again after `rework_slots` by the
    clock and the wait `again_wait` (an index into the problem's waits); with `absent_chance`
    nobody came, and it comes again without rework. `gate` is the index of the weather gate.
    """

    log_mean: float = 0.0
    log_sd: float = 0.0
    late_chance: float = 0.0
    late_days: float = 0.0
    fail_chance: float = 0.0
    absent_chance: float = 0.0
    rework_slots: int = 0
    again_wait: int | None = None
    gate: int | None = None
    area: int = 0

    def __post_init__(self) -> None:
        for name in ("late_chance", "fail_chance", "absent_chance"):
            value = getattr(self, name)
            _require(0 <= value <= 1, f"{name} {value}: a chance is between 0 and 1")
        for name in ("log_sd", "late_days", "rework_slots"):
            value = getattr(self, name)
            _require(0 <= value < np.inf, f"{name} {value}: enter 0 or more")
        _require(np.isfinite(self.log_mean), f"log_mean {self.log_mean}: enter a number")
        _require(
            self.fail_chance + self.absent_chance < 1,
            f"fail_chance {self.fail_chance} and absent_chance {self.absent_chance}: "
            "a visit must have a chance to be passed; their sum is below 1",
        )
        _require(
            not (self.fail_chance or self.absent_chance) or self.again_wait is not None,
            "again_wait None: say by which wait a visit comes again",
        )


@dataclass(frozen=True, slots=True)
class CrewChances:
    """On a day a crew is short of people with `short_chance`, and then works at `short_share`."""

    short_chance: float = 0.0
    short_share: float = 1.0

    def __post_init__(self) -> None:
        _require(0 <= self.short_chance <= 1, f"short_chance {self.short_chance}: is 0 to 1")
        _require(0 < self.short_share <= 1, f"short_share {self.short_share}: above 0, at most 1")


@dataclass(frozen=True, slots=True, eq=False)
class Gate:
    """
    What weather stops work behind it.

    `lost_chance`: by day of the axis, the chance that the weather of that day stops it.
    `mud_chance`: that it leaves mud, which stops the `mud_days` after it as well.
    """

    lost_chance: NDArray[np.float64]
    mud_chance: NDArray[np.float64] | None = None
    mud_days: int = 0

    def __post_init__(self) -> None:
        for name in ("lost_chance", "mud_chance"):
            value = getattr(self, name)
            if value is not None:
                ok = value.ndim == 1 and bool(((value >= 0) & (value <= 1)).all())
                _require(ok, f"{name}: enter one chance between 0 and 1 for each day of the axis")
        _require(0 <= self.mud_days <= 14, f"mud_days {self.mud_days}: enter 0 to 14 days")


@dataclass(frozen=True, slots=True, eq=False)
class WeatherChances:
    """
    The weather of all areas, day by day.

    A day's weather is one number, drawn so that the next day is like it by `persistence` and
    other areas share `shared` of it; of two gates the stricter is stopped whenever the other is.
    A persistence of 0.42 is that of four years of days in Seattle, from whatever rain a day counts
    as wet (tests/reference/test_lost_days.py).
    `day_first` are the slots at which the local days of the axis begin, one more than days.
    """

    day_first: NDArray[np.int32]
    gates: tuple[Gate, ...] = ()
    areas: int = 1
    persistence: float = 0.42
    shared: float = 0.8

    def __post_init__(self) -> None:
        _require(0 <= self.persistence < 1, f"persistence {self.persistence}: 0 to below 1")
        _require(0 <= self.shared <= 1, f"shared {self.shared}: between 0 and 1")
        _require(self.areas >= 1, f"areas {self.areas}: at least one")
        days = len(self.day_first) - 1
        _require(days >= 1, "day_first: enter the slots at which days begin, and the end")
        for index, gate in enumerate(self.gates):
            for values in (gate.lost_chance, gate.mud_chance):
                _require(
                    values is None or len(values) == days,
                    f"gate {index}: its chances must have one entry for each of {days} days",
                )


@dataclass(frozen=True, slots=True, eq=False)
class Chances:
    """
    All that varies in one problem. Activities, crews and waits without an entry go as planned.

    `by_activity` and `by_resource` are keyed by index. Of the variance of log work, `job_share`
    is common to a job (its site, its buyer) and `crew_share` to a crew over all its work.
    `wait_variants` gives for the index of a wait its table when it is colder or warmer than
    expected, coldest first; which holds is drawn by month, evenly by quantile.
    """

    by_activity: Mapping[int, ActivityChances] = field(default_factory=dict)
    by_resource: Mapping[int, CrewChances] = field(default_factory=dict)
    weather: WeatherChances | None = None
    job_share: float = 0.2
    crew_share: float = 0.0
    wait_variants: Mapping[int, Sequence[NDArray[np.int32]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        _require(
            self.job_share >= 0 and self.crew_share >= 0 and self.job_share + self.crew_share <= 1,
            f"job_share {self.job_share}, crew_share {self.crew_share}: "
            "each is 0 or more and their sum at most 1",
        )

    def check(self, problem: Problem) -> None:
        """Raise ValueError for what does not fit the problem."""
        gates = len(self.weather.gates) if self.weather else 0
        areas = self.weather.areas if self.weather else 0
        for i, row in self.by_activity.items():
            name = f"by_activity[{i}]"
            _require(0 <= i < len(problem.activities), f"{name}: no such activity")
            _require(
                row.again_wait is None or 0 <= row.again_wait < len(problem.waits),
                f"{name}: again_wait {row.again_wait} is not a wait of the problem",
            )
            if row.gate is not None:
                _require(0 <= row.gate < gates, f"{name}: gate {row.gate} is not among {gates}")
                _require(0 <= row.area < areas, f"{name}: area {row.area} is not among {areas}")
        for r in self.by_resource:
            _require(0 <= r < len(problem.resources), f"by_resource[{r}]: no such crew")
        counts = {len(tables) for tables in self.wait_variants.values()}
        _require(len(counts) <= 1, f"wait_variants: all have as many tables, not {sorted(counts)}")
        for w, tables in self.wait_variants.items():
            _require(0 <= w < len(problem.waits), f"wait_variants[{w}]: no such wait")
            for table in tables:
                _require(
                    table.shape == (problem.axis.slots + 1,),
                    f"wait_variants[{w}]: a table needs one entry more than the axis has slots",
                )
        if self.weather is not None:
            end = int(self.weather.day_first[-1])
            _require(
                end >= problem.axis.slots,
                f"day_first: ends at slot {end}, before the axis does at {problem.axis.slots}",
            )


NO_CHANCES = Chances()
"""Everything goes as planned."""
