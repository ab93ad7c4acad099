"""Control charts against published examples."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from dynostats.analysis.monitor.control import (
    BEYOND,
    D2,
    D4,
    EWMA_WEIGHT,
    EWMA_WIDTH,
    autocorrelation,
    chart_ewma,
    chart_individuals,
    within_limits,
)

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, flowrate of ten batches.
FLOW = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
# The same, 6.3.2.4: twenty values, weight 0.3, EWMA0 = 50, s = 2.0539, limits at 3 SDs.
PARTS = np.array(
    [
        *(52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5),
        *(49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1),
    ]
)
PARTS_EWMA = [
    *(50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33),
    *(50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99),
]
# Exact limits of the first and the last average: own computation in R 4.2.2 that gives the
# published series and asymptotic limits.
PARTS_FIRST_HIGH, PARTS_LAST_HIGH = 51.84851, 52.5884309141244


def test_the_individuals_chart_of_the_handbook():
    chart = chart_individuals(FLOW)
    assert chart.centre == pytest.approx(50.81, abs=1e-12)
    assert np.nanmean(chart.ranges) == pytest.approx(1.8778, abs=5e-5)
    assert chart.high == pytest.approx(55.8041, abs=5e-5)
    assert chart.low == pytest.approx(45.8159, abs=5e-5)
    assert not ((chart.low > FLOW) | (chart.high < FLOW)).any()


def test_the_moving_range_chart_of_the_handbook():
    chart = chart_individuals(FLOW)
    assert chart.ranges[1:] == pytest.approx([2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5])
    assert np.isnan(chart.ranges[0])
    assert chart.range_high == pytest.approx(6.1347, abs=5e-5)


def test_the_ewma_chart_of_the_handbook():
    chart = chart_ewma(PARTS, target=50.0, sigma=2.0539, weight=0.3, width=3.0)
    # The handbook's third value reads 50.56: 50.564 to more digits.
    assert chart.values == pytest.approx(PARTS_EWMA, abs=0.0051)
    assert chart.high[-1] == pytest.approx(52.5884, abs=5e-5)
    assert chart.low[-1] == pytest.approx(47.4115, abs=1.5e-4)  # truncated there
    assert chart.high[0] == pytest.approx(PARTS_FIRST_HIGH, rel=1e-9)
    assert chart.high[-1] == pytest.approx(PARTS_LAST_HIGH, rel=1e-12)
    assert not chart.outside.any()


def test_the_constants_are_those_of_two_normal_values():
    # d2 = 2 / sqrt(pi); D4 = 1 + 3 d3 / d2 with d3^2 = 2 - 4 / pi. Montgomery (from memory): 1.128
    # and 3.267.
    assert pytest.approx(2.0 / np.sqrt(np.pi), abs=5e-4) == D2
    assert pytest.approx(1.0 + 3.0 * np.sqrt(2.0 - 4.0 / np.pi) / 1.12838, abs=6e-4) == D4


def test_the_running_mean_alarms_once_in_some_370_values():
    """Average run length by the Markov chain of Lucas & Saccucci (1990), appendix."""
    states = 201
    edge = EWMA_WIDTH * np.sqrt(EWMA_WEIGHT / (2.0 - EWMA_WEIGHT))
    step = 2.0 * edge / states
    middle = -edge + step * (np.arange(states) + 0.5)
    from scipy.stats import norm  # noqa: PLC0415 - only here

    upper = (middle[None, :] + step / 2.0 - (1.0 - EWMA_WEIGHT) * middle[:, None]) / EWMA_WEIGHT
    lower = (middle[None, :] - step / 2.0 - (1.0 - EWMA_WEIGHT) * middle[:, None]) / EWMA_WEIGHT
    moves = norm.cdf(upper) - norm.cdf(lower)
    lengths = np.linalg.solve(np.eye(states) - moves, np.ones(states))
    assert lengths[states // 2] == pytest.approx(370.0, rel=0.02)


def test_limits_within_a_session_are_those_of_a_mean_square():
    low, high = within_limits(2.0, np.array([1.0, 4.0, 0.0]))
    assert chi2.sf(4.0 * (high[1] / 2.0) ** 2, 4.0) == pytest.approx(BEYOND / 2.0)
    assert chi2.cdf(1.0 * (low[0] / 2.0) ** 2, 1.0) == pytest.approx(BEYOND / 2.0)
    assert np.isnan(high[2])


def test_shifting_and_scaling_values_shifts_and_scales_the_chart():
    chart, other = chart_individuals(FLOW), chart_individuals(10.0 * FLOW + 3.0)
    assert other.centre == pytest.approx(10.0 * chart.centre + 3.0)
    assert other.high == pytest.approx(10.0 * chart.high + 3.0)
    assert other.range_high == pytest.approx(10.0 * chart.range_high)


def test_autocorrelation_of_known_series():
    # Alternating +1, -1 of length n: -(n - 1) / n by the handbook's definition, 1.3.5.12.
    assert autocorrelation(np.array([1.0, -1.0] * 5)) == pytest.approx(-0.9)
    assert autocorrelation(np.arange(50.0)) > 0.9
    assert autocorrelation(np.array([1.0, 2.0])) is None
    assert autocorrelation(np.ones(9)) is None
