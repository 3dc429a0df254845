"""Simulated finishes of a network whose durations are uncertain, against PERT and against numpy."""

import math

import numpy as np
import pytest
from scipy import stats

from contractor.engine.planner import plan
from contractor.engine.simulate.chances import ActivityChances, Chances
from contractor.engine.simulate.simulation import simulate
from tests.unit.engine.builders import activity, problem

SLOTS_A_WEEK, RUNS = 10, 4000
# Optimistic, most likely and pessimistic weeks, and what each follows. Source: the Reliable
# Construction Co. of Hillier and Lieberman, Introduction to Operations Research, project management
# chapter (from memory); so are the 44 weeks, the variance of 9 and the 0.8413 below.
TABLE = {
    "A": (1, 2, 3, ""), "B": (2, 3.5, 8, "A"), "C": (6, 9, 18, "B"), "D": (4, 5.5, 10, "C"),
    "E": (1, 4.5, 5, "C"), "F": (4, 4, 10, "E"), "G": (5, 6.5, 11, "D"), "H": (5, 8, 17, "EG"),
    "I": (3, 7.5, 9, "C"), "J": (3, 9, 9, "FI"), "K": (4, 4, 4, "J"), "L": (1, 5.5, 7, "J"),
    "M": (1, 2, 3, "H"), "N": (5, 5.5, 9, "KL"),
}  # fmt: skip
CRITICAL = "ABCEFJLN"
NAMES = list(TABLE)
# Of three estimates, by PERT (Malcolm and others 1959, from memory).
MEANS = {name: (a + 4 * m + b) / 6 for name, (a, m, b, _) in TABLE.items()}
VARIANCES = {name: ((b - a) / 6) ** 2 for name, (a, _, b, _) in TABLE.items()}


def log_factor(name: str) -> tuple[float, float]:
    """Return mean and deviation of the logarithm of a factor of mean 1, as wide as PERT says."""
    variance = math.log(1 + VARIANCES[name] / MEANS[name] ** 2)
    return -variance / 2, math.sqrt(variance)


@pytest.fixture(scope="module")
def simulated() -> np.ndarray:
    """Return the finish of the project in weeks, by draw."""
    rows = [
        activity(name, work=round(MEANS[name] * SLOTS_A_WEEK), crews=[n])
        for n, name in enumerate(NAMES)
    ]
    links = [(NAMES.index(b), NAMES.index(a)) for a in NAMES for b in TABLE[a][3]]
    whole = problem(rows, links, crews=len(rows))
    by_activity = {}
    for n, name in enumerate(NAMES):
        log_mean, log_sd = log_factor(name)
        by_activity[n] = ActivityChances(log_mean=log_mean, log_sd=log_sd)
    chances = Chances(by_activity=by_activity, job_share=0.0)
    drawn = simulate(whole, plan(whole).schedule, chances, runs=RUNS, seed=1)
    return drawn.finishes.max(axis=0) / SLOTS_A_WEEK


def by_numpy(names: str) -> np.ndarray:
    """Return the same finish by longest paths of numpy's own draws, over some activities."""
    luck = np.random.default_rng(7)
    ends: dict[str, np.ndarray] = {}
    for name, (*_, leaders) in TABLE.items():
        lasts = MEANS[name] * luck.lognormal(*log_factor(name), RUNS)
        # Work takes whole slots, and no less than one.
        lasts = np.maximum(np.ceil(lasts * SLOTS_A_WEEK - 0.5), 1) / SLOTS_A_WEEK
        before = [ends[b] for b in leaders if b in names]
        ends[name] = lasts + np.max([np.zeros(RUNS), *before], axis=0)
    return np.max([ends[name] for name in names], axis=0)


def test_the_single_path_has_44_weeks_a_variance_of_9_and_keeps_47_with_0_8413():
    mean = sum(MEANS[name] for name in CRITICAL)
    variance = sum(VARIANCES[name] for name in CRITICAL)

    assert mean == pytest.approx(44)
    assert variance == pytest.approx(9)
    assert stats.norm(mean, variance**0.5).cdf(47) == pytest.approx(0.8413, abs=5e-5)


def test_where_paths_merge_the_finish_is_later_than_the_single_path_says(simulated: np.ndarray):
    """The merge bias: a maximum of paths is on average above each of them, and kept less often."""
    single = by_numpy(CRITICAL)
    error = (simulated.var() / RUNS + single.var() / RUNS) ** 0.5

    assert single.mean() == pytest.approx(44, abs=3 * error)
    assert simulated.mean() > single.mean() + 3 * error
    assert (simulated <= 47).mean() < min(0.8413, (single <= 47).mean())


def test_finishes_are_distributed_as_numpy_says(simulated: np.ndarray):
    """By Kolmogorov and Smirnov; 1.63 is the quantile of their distribution at one in a hundred."""
    found = stats.ks_2samp(simulated, by_numpy("".join(NAMES)))

    assert found.statistic < 1.63 * math.sqrt(2 / RUNS)
