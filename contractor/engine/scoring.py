"""
How good forecasts were: coverage, pinball loss and CRPS against what really happened.

Sources: Gneiting & Raftery, Strictly proper scoring rules, JASA 102 (2007), from memory; the fair
sample form of the CRPS by Ferro (2014), from memory. Tests compare with closed forms in scipy.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["coverage_band", "crps_of_sample", "pinball"]


def pinball(actual: ArrayLike, quantile: ArrayLike, share: float) -> float:
    """
    Return the mean pinball loss of forecast quantiles, in the unit of what was forecast.

    `share` is the chance that the quantile is not exceeded. Raises ValueError unless it is above
    0 and below 1, and for arrays of different shapes.
    """
    _require_share(share)
    seen, told = _alike(actual, quantile)
    beyond = seen - told
    return float(np.mean(np.where(beyond >= 0, share * beyond, (share - 1) * beyond)))


def coverage_band(share: float, count: int, confidence: float = 0.95) -> tuple[float, float]:
    """
    Return between which shares the coverage of `count` forecasts lies if they are calibrated.

    The central interval of the binomial distribution. Raises ValueError for no forecasts.
    """
    _require_share(share)
    _require_share(confidence)
    if count < 1:
        raise ValueError(f"count {count}: a coverage needs at least one forecast")
    tail = (1 - confidence) / 2
    counts = np.arange(count + 1)
    logs = (
        math.lgamma(count + 1)
        - np.array([math.lgamma(k + 1) + math.lgamma(count - k + 1) for k in counts])
        + counts * math.log(share)
        + (count - counts) * math.log1p(-share)
    )
    reached = np.cumsum(np.exp(logs))
    low = int(np.searchsorted(reached, tail))
    high = int(np.searchsorted(reached, 1 - tail))
    return low / count, min(high, count) / count


def crps_of_sample(actual: float, sample: ArrayLike) -> float:
    """
    Return the continuous ranked probability score of a forecast given by a sample.

    In the unit of what was forecast; of one value it is the absolute error. The fair form, which
    does not favor large samples. Raises ValueError for an empty sample.
    """
    values = np.sort(np.asarray(sample, dtype=np.float64))
    count = values.size
    if values.ndim != 1 or count == 0:
        raise ValueError(f"sample of shape {values.shape}: enter a plain list of values")
    error = float(np.mean(np.abs(values - actual)))
    if count == 1:
        return error
    weights = 2 * np.arange(1, count + 1) - count - 1
    return error - float(np.dot(weights, values)) / (count * (count - 1))


def _alike(
    actual: ArrayLike, quantile: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    seen, told = np.asarray(actual, dtype=np.float64), np.asarray(quantile, dtype=np.float64)
    if seen.shape != told.shape or seen.size == 0:
        raise ValueError(
            f"actual of shape {seen.shape}, quantile of shape {told.shape}: "
            "enter one quantile for each actual value, and at least one"
        )
    return seen, told


def _require_share(share: float) -> None:
    if not 0 < share < 1:
        raise ValueError(f"share {share}: enter a share above 0 and below 1")
