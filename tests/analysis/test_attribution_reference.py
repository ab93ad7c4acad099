"""The accounting of a split against a published decomposition of a difference of means."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from dynostats.analysis.attribution.causes import BOOST, TEMPERATURE
from dynostats.analysis.attribution.exponents import Exponents
from dynostats.analysis.attribution.split import Change, parts_of

REFERENCE = Path(__file__).parent / "reference"


def test_parts_are_those_of_the_decomposition_of_a_difference_of_means():
    # Oaxaca-Blinder, two-fold, pooled coefficients with the group's indicator in the regression
    # (the form used here: setups are in the regression). Data: ccard of statsmodels; values
    # computed with statsmodels 0.15.0 (its tests are held against Stata) and by least squares.
    told = json.loads((REFERENCE / "oaxaca_ccard.json").read_text("utf-8"))
    read = {name: np.array(values, dtype=float) for name, values in told["input"].items()}
    group = read["group"]
    causes = np.array([read["AGE"], read["INCOME"]])
    columns = np.vstack([causes, group, np.ones(len(group))]).T
    slopes = np.linalg.lstsq(columns, read["y"], rcond=None)[0][:2]

    def shift(values):
        return values[..., group == 1].mean(axis=-1) - values[..., group == 0].mean(axis=-1)

    change = Change(
        torque=shift(read["y"])[None],
        causes=shift(causes)[:, None],
        bent=np.zeros(1),
        plumbing=np.zeros(1),
        pull_factor=1.0,
    )
    exponents = Exponents(
        causes=(BOOST, TEMPERATURE),
        estimate=slopes,
        covariance=np.eye(2),
        df=np.ones(2),
        bent=np.zeros(2),
        coefficients=(),
    )
    parts = parts_of(change, exponents, slopes, np.ones(1))
    expected = told["expected"]["twofold_pooled_with_group_dummy"]
    assert parts[:-1].sum() == pytest.approx(expected["explained"], rel=1e-9)
    assert parts[-1] == pytest.approx(expected["unexplained"], rel=1e-9)
    assert parts.sum() == pytest.approx(told["expected"]["gap"], rel=1e-12)
