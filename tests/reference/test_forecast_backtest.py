"""Forecasts of firms whose true rates the model does not know, over 24 months each.

The firms are those of tests/bench/forecast_backtest.py: they sell, plan by promises, work by
hidden rates and learn. Nothing was tuned on these seeds. The bounds are those that the service
promises its owner: five in a hundred around what a quantile says, and less loss than any fixed
percentage on the planned finish, even the best in hindsight.

A month's forecasts of a firm share its luck, so the firm is what is counted: of so many firms, the
mean share has a standard error of two in a hundred, and the bounds are widened by two of these.
With 99 draws the 50th, 80th and 90th of them hold in exactly 50, 80 and 90 of 100 cases if draws
and truth are alike (order statistics: k ÷ (n + 1)), whatever their distribution.
"""

from statistics import fmean, stdev
from typing import Any

import pytest

from tests.bench.forecast_backtest import Firm, Told, scores

FIRMS, RUNS = range(101, 111), 99


@pytest.fixture(scope="module")
def firms() -> list[list[Told]]:
    return [Firm.of(seed, RUNS).live() for seed in FIRMS]


@pytest.fixture(scope="module")
def found(firms: list[list[Told]]) -> dict[str, Any]:
    return scores([row for told in firms for row in told])


@pytest.mark.parametrize(("place", "share"), [(0, 0.5), (1, 0.8), (2, 0.9)])
def test_a_quantile_holds_as_often_as_it_says(
    firms: list[list[Told]], place: int, share: float
) -> None:
    covered = [fmean(row.actual_days <= row.quantiles[place] for row in told) for told in firms]
    error = stdev(covered) / len(covered) ** 0.5

    # A wider error would let any forecast pass.
    assert error < 0.025
    assert fmean(covered) == pytest.approx(share, abs=0.05 + 2 * error)


@pytest.mark.parametrize("name", ["P50", "P80", "P90"])
def test_a_forecast_is_nearer_than_any_fixed_buffer(found: dict[str, Any], name: str) -> None:
    assert found["forecasts"] > 1000
    assert found[name]["pinball_days"] < found[name]["best_buffer_days"]
    assert found[name]["pinball_days"] < found[name]["usual_buffer_days"]
