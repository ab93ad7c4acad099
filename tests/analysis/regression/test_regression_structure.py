"""The warehouse's own structure of noise: pulls in clusters, sessions above them."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from regression_shop import PRESSURE, SETUP, TEMPERATURE, make_rows

from dynostats.analysis.regression import fit_clusters, sum_clusters
from dynostats.analysis.regression.levels import within_levels
from dynostats.analysis.regression.regress import regress
from dynostats.analysis.regression.wild import wild_p_values

FORMULA = "log_torque ~ log_manifold_pressure + log_charge_temperature + bs(rpm, df=5) + setup"


@pytest.fixture(scope="module")
def rows():
    return make_rows()


@pytest.fixture(scope="module")
def uneven():
    """Pulls of many sizes in sessions of many sizes, as plain arrays."""
    rng = np.random.default_rng(3)
    pull = np.repeat(np.arange(17), rng.integers(3, 12, 17))
    session = np.array([0, 0, 0, 1, 1, 2, 2, 2, 2, 2, 3, 3, 4, 4, 4, 5, 5])[pull]
    columns = rng.normal(size=(len(pull), 3)) + rng.normal(size=(17, 3))[pull] + 5.0
    response = columns @ [1.0, -0.5, 0.0] + rng.normal(size=6)[session] + rng.normal(size=len(pull))
    return columns, response, pull, session


def test_levels_taken_out_are_the_levels_fitted(uneven):
    # A column of ones and zeros for each session gives the same, by the checked fit.
    columns, response, pull, session = uneven
    dummies = (session[:, None] == np.arange(6)).astype(float)
    plain = fit_clusters(sum_clusters(np.column_stack((columns, dummies)), response, pull))
    ones = np.ones((len(pull), 1))
    summed = sum_clusters(np.column_stack((ones, columns)), response, pull)
    level = np.array([session[pull == one][0] for one in range(17)])
    within = fit_clusters(within_levels(summed, level))
    assert within.coefficients == pytest.approx(plain.coefficients[:3], rel=1e-10)
    assert within.covariance == pytest.approx(plain.covariance[:3, :3], rel=1e-9)
    assert within.df == pytest.approx(plain.df[:3], rel=1e-9)
    assert within.told == pytest.approx(np.ones(3), rel=1e-9)
    assert within.residual_squares == pytest.approx(plain.residual_squares, rel=1e-10)


def test_the_bootstrap_takes_levels_out_anew_in_every_draw(uneven):
    columns, response, pull, session = uneven
    dummies = (session[:, None] == np.arange(6)).astype(float)
    plain = wild_p_values(
        sum_clusters(np.column_stack((columns, dummies)), response, pull), draws=499
    )
    ones = np.ones((len(pull), 1))
    summed = sum_clusters(np.column_stack((ones, columns)), response, pull)
    level = np.array([session[pull == one][0] for one in range(17)])
    assert wild_p_values(within_levels(summed, level), draws=499) == pytest.approx(plain[:3])


def test_a_session_that_is_higher_as_a_whole_changes_nothing(rows):
    lifted = rows.with_columns(
        pl.col("log_torque") + pl.when(session="day 2").then(0.5).otherwise(0.0)
    )
    before, after = regress(FORMULA, rows).table, regress(FORMULA, lifted).table
    for name in ("estimate", "se", "df"):
        assert after[name].to_numpy() == pytest.approx(before[name].to_numpy(), rel=1e-7)


def test_the_exponents_behind_simulated_pulls_are_found(rows):
    found = regress(FORMULA, rows)
    truth = {
        "log_manifold_pressure": PRESSURE,
        "log_charge_temperature": TEMPERATURE,
        "setup[T.scoop]": SETUP,
    }
    for row in found.table.filter(pl.col("term").is_in(truth)).iter_rows(named=True):
        assert abs(row["estimate"] - truth[row["term"]]) < 4 * row["se"]
        assert row["low"] < row["estimate"] < row["high"]
    assert (found.by, found.within, found.groups) == ("pull", "session", 24)
    assert "no intercept" in found.notes[0]


def test_the_mixed_model_finds_the_layers_of_noise():
    # Balanced and nested: REML is what the mean squares say. y = setup + session + pull + row.
    rng = np.random.default_rng(11)
    session = np.repeat(np.arange(12), 20)
    pull = np.repeat(np.arange(48), 5)
    y = rng.normal(0, 2.0, 12)[session] + rng.normal(0, 1.0, 48)[pull] + rng.normal(0, 0.5, 240)
    frame = pl.DataFrame({"y": y, "session": session, "pull": pull})
    cube = y.reshape(12, 4, 5)
    rows_ms = ((cube - cube.mean(axis=2, keepdims=True)) ** 2).sum() / (48 * 4)
    pulls_ms = 5 * ((cube.mean(axis=2) - cube.mean(axis=(1, 2))[:, None]) ** 2).sum() / (12 * 3)
    sessions_ms = 20 * cube.mean(axis=(1, 2)).var(ddof=1)
    found = regress("y ~ 1", frame, errors="mixed")
    assert found.sds["residual"] ** 2 == pytest.approx(rows_ms, rel=1e-6)
    assert found.sds["pull"] ** 2 == pytest.approx((pulls_ms - rows_ms) / 5, rel=1e-6)
    assert found.sds["session"] ** 2 == pytest.approx((sessions_ms - pulls_ms) / 20, rel=1e-6)
    assert found.table["se"][0] == pytest.approx(np.sqrt(sessions_ms / 240), rel=1e-6)
    assert found.table["df"][0] == pytest.approx(11.0, rel=1e-4)


def test_sessions_that_do_not_differ_have_no_variance_of_their_own():
    # Sessions differ by less than their pulls would make them: the session's variance is zero, and
    # the rest is a one-way layout of 48 pulls.
    rng = np.random.default_rng(2)
    pulls = rng.normal(0, 1.0, (12, 4))
    pulls -= pulls.mean(axis=1, keepdims=True)
    cube = pulls[:, :, None] + rng.normal(0, 0.5, (12, 4, 5))
    frame = pl.DataFrame(
        {
            "y": cube.ravel(),
            "session": np.repeat(np.arange(12), 20),
            "pull": np.repeat(np.arange(48), 5),
        }
    )
    rows_ms = ((cube - cube.mean(axis=2, keepdims=True)) ** 2).sum() / (48 * 4)
    pulls_ms = 5 * cube.mean(axis=2).ravel().var(ddof=1)
    found = regress("y ~ 1", frame, errors="mixed")
    assert found.sds["session"] == 0.0
    assert found.sds["pull"] ** 2 == pytest.approx((pulls_ms - rows_ms) / 5, rel=1e-6)
    assert "No scatter of the level from session to session" in " ".join(found.notes)


def test_a_setup_in_few_sessions_is_left_to_the_mixed_model():
    found = regress("log_torque ~ bs(rpm, df=4) + setup", make_rows(2), errors="mixed")
    assert found.table["term"].to_list()[-1] == "setup[T.scoop]"
    assert set(found.sds) == {"residual", "pull", "session"}


def test_one_row_a_pull_needs_no_level_for_pulls(rows):
    single = rows.filter(pl.col("rpm") == 3000.0)
    found = regress("log_torque ~ setup", single, errors="mixed")
    assert set(found.sds) == {"residual", "session"}


def test_without_levels_pulls_of_a_session_are_taken_for_strangers_and_it_says_so(rows):
    found = regress("log_torque ~ rpm", rows, by="pull")
    assert found.within == ""
    assert any("session" in note for note in found.notes)


def test_rows_of_pulls_taken_as_strangers_are_called_so(rows):
    assert "strangers" in regress("log_torque ~ rpm", rows, errors="independent").notes[0]
    single = rows.filter(pl.col("rpm") == 3000.0)
    assert regress("log_torque ~ setup", single, errors="independent").notes == ()


def test_rows_that_miss_something_are_left_out_and_counted(rows):
    holes = rows.with_columns(
        log_manifold_pressure=pl.when(pl.col("rpm") == 2000.0)
        .then(None)
        .when(pl.col("rpm") == 2100.0)
        .then(float("nan"))
        .otherwise("log_manifold_pressure")
    )
    found = regress(FORMULA, holes)
    assert found.left_out == 2 * 24
    assert found.rows == rows.height - 2 * 24
    assert any("48 rows" in note for note in found.notes)


def test_logs_of_what_is_not_positive_are_left_out_and_counted(rows):
    found = regress("log_torque ~ log(rpm - 2000) + setup", rows)
    assert found.left_out == 24


def test_a_regression_is_a_dict_a_frame_and_a_page(rows):
    found = regress(FORMULA, rows)
    told = found.to_dict()
    assert [term["term"] for term in told["terms"]] == found.table["term"].to_list()
    assert told["groups"] == 24
    shown = found._repr_html_()
    assert "cluster-robust" in shown
    assert "<table" in shown
