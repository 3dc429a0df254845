"""Scores against closed forms, and learning against scipy's own distributions."""

from math import exp, log, sqrt
from random import Random

import numpy as np
import pytest
from scipy import integrate, stats

from contractor.engine.learning import STARTER, Belief, Finished, learn
from contractor.engine.scoring import (
    coverage_band,
    crps_of_sample,
    pinball,
)


def test_crps_of_a_log_normal_sample_is_that_of_its_closed_form():
    # Closed form of the log-normal CRPS as in the R package scoringRules (from memory): for
    # LN(0.1, 0.9) and 3 it is 1.13552645.
    mu, sigma, seen = 0.1, 0.9, 3.0
    standard = stats.norm.cdf
    z = (log(seen) - mu) / sigma
    closed = seen * (2 * standard(z) - 1) - 2 * exp(mu + sigma**2 / 2) * (
        standard(z - sigma) + standard(sigma / sqrt(2)) - 1
    )
    assert closed == pytest.approx(1.13552645, abs=1e-8)
    quantiles = stats.lognorm.ppf((np.arange(20_000) + 0.5) / 20_000, sigma, scale=exp(mu))

    assert crps_of_sample(seen, quantiles) == pytest.approx(closed, abs=2e-3)


def test_crps_is_twice_the_pinball_loss_over_all_shares():
    seen, mu, sigma = 3.0, 0.1, 0.9

    def loss(share: float) -> float:
        return pinball([seen], [stats.lognorm.ppf(share, sigma, scale=exp(mu))], share)

    twice, _ = integrate.quad(loss, 1e-9, 1 - 1e-9, limit=400)

    assert 2 * twice == pytest.approx(1.13552645, abs=1e-4)


def test_the_crps_of_a_sample_does_not_favor_large_samples():
    random = np.random.default_rng(5)
    means = [
        np.mean([crps_of_sample(0.3, random.standard_normal(size)) for _ in range(4000)])
        for size in (4, 64)
    ]
    # Of a standard normal and 0.3: x (2F(x) - 1) + 2 f(x) - 1/sqrt(pi).
    x = 0.3
    closed = x * (2 * stats.norm.cdf(x) - 1) + 2 * stats.norm.pdf(x) - 1 / sqrt(np.pi)

    assert means == pytest.approx([closed, closed], abs=0.02)


@pytest.mark.parametrize("count", [30, 100, 300, 1000])
@pytest.mark.parametrize("share", [0.5, 0.8])
def test_the_band_of_coverage_is_scipys_binomial_interval(share, count):
    low, high = stats.binom.interval(0.95, count, share)

    assert coverage_band(share, count) == pytest.approx((low / count, high / count))


def test_the_parts_of_a_phase_teach_as_much_as_the_whole():
    whole = [Finished("FRAME", "a", 40, 48), Finished("FRAME", "b", 30, 27)]
    parts = [
        Finished("FRAME", "a", 16, 19.2, share_of_phase=0.4),
        Finished("FRAME", "a", 24, 28.8, share_of_phase=0.6),
        whole[1],
    ]

    for crew in ("a", "b", "new", None):
        told, known = learn(parts).of("FRAME", crew), learn(whole).of("FRAME", crew)
        assert (told.mean, told.weight) == pytest.approx((known.mean, known.weight))
        assert (told.shape, told.scale) == pytest.approx((known.shape, known.scale))


def test_beliefs_do_not_depend_on_order_or_on_pieces():
    logs = [Random(3).gauss(0.1, 0.4) for _ in range(12)]
    at_once = STARTER.after(logs)
    by_piece = STARTER
    for value in reversed(logs):
        by_piece = by_piece.after([value])

    for name in ("mean", "weight", "shape", "scale"):
        assert getattr(by_piece, name) == pytest.approx(getattr(at_once, name))


def test_the_prediction_is_the_mixture_that_sampling_the_posterior_gives():
    belief = STARTER.after([0.2, 0.35, 0.1, 0.5, -0.1])
    random = np.random.default_rng(11)
    variance = stats.invgamma.rvs(belief.shape, scale=belief.scale, size=400_000, random_state=1)
    mean = random.normal(belief.mean, np.sqrt(variance / belief.weight))
    sampled = np.exp(random.normal(mean, np.sqrt(variance)))

    told = [belief.prediction().factor(share) for share in (0.1, 0.5, 0.8, 0.9)]

    assert told == pytest.approx(np.quantile(sampled, (0.1, 0.5, 0.8, 0.9)), rel=0.01)


def test_with_many_jobs_the_belief_is_what_the_jobs_say():
    random = Random(7)
    rows = [
        Finished("FRAME", crew, 40, 40 * exp(random.gauss(0.2 + beside, 0.25)))
        for crew, beside in (("a", 0.1), ("b", -0.1))
        for _ in range(400)
    ]

    beliefs = learn(rows)

    assert beliefs.of("FRAME", None).mean == pytest.approx(0.2, abs=0.03)
    assert beliefs.of("FRAME", "a").mean == pytest.approx(0.3, abs=0.04)
    assert sqrt(beliefs.of("FRAME", "b").variance) == pytest.approx(0.25, abs=0.03)


def test_a_crew_that_is_known_from_other_work_is_expected_like_itself():
    rows = [Finished("FRAME", "slow", 10, 14) for _ in range(20)]
    rows += [Finished("FRAME", "other", 10, 10) for _ in range(20)]
    rows += [Finished("ROOF", "other", 10, 10) for _ in range(20)]

    beliefs = learn(rows)

    assert beliefs.of("ROOF", "slow").mean > beliefs.of("ROOF", "other").mean
    assert beliefs.of("TRIM", "slow").mean > STARTER.mean


@pytest.mark.parametrize(
    ("make", "named"),
    [
        (lambda: Finished("FRAME", None, 0, 4), "planned_hours 0"),
        (lambda: Finished("FRAME", None, 4, -1), "actual_hours -1"),
        (lambda: Belief(0, 0, 2, 1), "weight 0"),
        (lambda: learn([], crew_spread=0), "crew_spread 0"),
        (lambda: STARTER.prediction().factor(1), "share 1"),
        (lambda: pinball([1], [1, 2], 0.5), "shape"),
        (lambda: crps_of_sample(1, []), "sample"),
        (lambda: coverage_band(0.5, 0), "count 0"),
    ],
)
def test_what_makes_no_sense_is_refused_by_name(make, named):
    with pytest.raises(ValueError, match=named):
        make()
