"""Options drawn less often than the described building: filled up, and how far that is off."""

import numpy as np
import pytest

from contractor.engine.problem import Job
from contractor.engine.simulate.simulation import Simulated
from contractor.engine.worktime import SLOTS_PER_DAY
from jobs.services.start_date_runs import FEW_RUNS, MOST_DRAWN, Runs, runs_of_options

RUNS = 200
DUE = 120 * SLOTS_PER_DAY
SHARES = (0.1, 0.5, 0.8, 0.9)


def runs_of(finishes: np.ndarray, promised: np.ndarray) -> Runs:
    rows = np.array([finishes, promised]).round().astype(np.int32)
    after = Simulated(0, rows - SLOTS_PER_DAY, rows)
    return Runs.of(after, [0], [Job("sold", due=DUE)], [[1]])


def pair(seed: int, runs: int) -> tuple[Runs, Runs, Runs]:
    """A building, an option drawn as often, and drawn less; 20 days of luck that both share."""
    rng = np.random.default_rng(seed)
    described = (100 + 20 * rng.standard_normal(RUNS)) * SLOTS_PER_DAY
    option = described + (6 + 3 * rng.standard_normal(RUNS)) * SLOTS_PER_DAY
    promised = (110 + 12 * rng.standard_normal(RUNS)) * SLOTS_PER_DAY
    later = promised + 2 * rng.random(RUNS) * SLOTS_PER_DAY
    first = runs_of(described, promised)
    return first, runs_of(option, later), runs_of(option[:runs], later[:runs])


def days(runs: Runs) -> np.ndarray:
    return np.quantile(runs.finishes, SHARES, method="inverted_cdf") / SLOTS_PER_DAY


def test_an_option_that_changes_nothing_is_the_described_building():
    described, _, _ = pair(1, FEW_RUNS)
    few = runs_of(described.finishes[:FEW_RUNS], np.full(FEW_RUNS, DUE - 1))

    filled = few.beside(described)

    assert filled.finishes.tolist() == described.finishes.tolist()
    assert filled.drawn == FEW_RUNS


def test_as_many_runs_need_no_filling():
    described, option, same = pair(2, RUNS)

    filled = same.beside(described)

    assert filled.finishes.tolist() == option.finishes.tolist()
    assert filled.chances == pytest.approx(option.chances)


def test_days_and_chances_of_fewer_runs_are_as_near_as_the_documentation_says():
    """Against all 200 runs: docs/start-dates.md, "Fewer draws"; 300 firms of made-up luck."""
    off_days, bare_days, off_chances, bare_chances = [], [], [], []
    for seed in range(300):
        described, option, few = pair(seed, FEW_RUNS)
        filled = few.beside(described)
        off_days.append(days(filled) - days(option))
        bare_days.append(days(few) - days(option))
        off_chances.append(filled.chances[0] - option.chances[0])
        bare_chances.append(few.chances[0] - option.chances[0])

    def spread(rows: list[object]) -> np.ndarray:
        return np.sqrt(np.mean(np.square(rows), axis=0))

    assert (spread(off_days) < 1.5).all()
    assert (spread(off_days) < 0.65 * spread(bare_days)).all()
    assert spread(off_chances) < 0.02
    assert spread(off_chances) < 0.65 * spread(bare_chances)
    assert np.abs(np.mean(off_days, axis=0)).max() < 0.2


def test_only_much_work_is_drawn_less_often():
    assert runs_of_options(RUNS, MOST_DRAWN // RUNS) == RUNS
    assert runs_of_options(RUNS, MOST_DRAWN // RUNS + 1) == FEW_RUNS
    assert runs_of_options(20, MOST_DRAWN) == 20
