"""Regressions against certified values and other programs; sources stand in the data's file."""

from __future__ import annotations

import numpy as np
import pytest

from dynostats.analysis.regression import fit_clusters, sum_clusters
from dynostats.analysis.regression.regress import regress
from dynostats.analysis.regression.wild import wild_p_values


def column(found, name):
    return found.table[name].to_numpy()


def test_longley_of_nist_strd(case):
    # Certified to 15 digits; the columns' condition leaves double precision about eleven.
    rows, given = case("longley")
    expected = given["expected"]
    formula = "y ~ GNPDEFL + GNP + UNEMP + ARMED + POP + YEAR"
    found = regress(formula, rows, errors="independent")
    assert column(found, "estimate") == pytest.approx(expected["b"], rel=1e-10)
    assert column(found, "se") == pytest.approx(expected["se"], rel=1e-10)
    assert found.sds["residual"] == pytest.approx(expected["resid_sd"], rel=1e-11)


def test_norris_of_nist_strd(case):
    rows, given = case("norris")
    expected = given["expected"]
    found = regress("y ~ x", rows, errors="independent")
    assert column(found, "estimate") == pytest.approx([expected["b0"], expected["b1"]], rel=1e-12)
    assert column(found, "se") == pytest.approx([expected["se0"], expected["se1"]], rel=1e-12)
    assert found.sds["residual"] == pytest.approx(expected["resid_sd"], rel=1e-12)


def test_wampler1_of_nist_strd(case):
    # An exact polynomial: every certified coefficient is 1 and every error 0, with values to 3e6.
    rows, given = case("wampler1")
    formula = "y ~ x + I(x**2) + I(x**3) + I(x**4) + I(x**5)"
    found = regress(formula, rows, errors="independent")
    assert column(found, "estimate") == pytest.approx(given["expected"]["b"], abs=2e-8)
    assert np.abs(column(found, "se")).max() < 2e-8


def test_a_quadratic_on_measured_engine_emissions(case):
    rows, given = case("ethanol")
    expected = given["expected"]
    found = regress("NOx ~ E + I(E**2) + C", rows, errors="independent")
    assert column(found, "estimate") == pytest.approx(list(expected["coef"].values()), rel=1e-11)
    assert column(found, "se") == pytest.approx(list(expected["se"].values()), rel=1e-11)
    assert found.sds["residual"] == pytest.approx(expected["sigma"], rel=1e-12)


def test_cr2_and_its_degrees_of_freedom_on_grunfelds_firms(case):
    rows, given = case("grunfeld")
    expected = given["expected"]
    found = regress("invest ~ value + capital", rows, by="firm")
    interval = expected["CR2_ci_satt"]
    assert found.table["term"].to_list() == ["Intercept", "value", "capital"]
    assert column(found, "estimate") == pytest.approx(list(expected["coef"].values()), rel=1e-11)
    assert column(found, "se") == pytest.approx(list(expected["CR2_se"].values()), rel=1e-11)
    assert column(found, "df") == pytest.approx(expected["CR2_satt_df"], rel=1e-10)
    assert column(found, "p_value") == pytest.approx(expected["CR2_satt_p"], rel=1e-9)
    assert column(found, "low") == pytest.approx(interval["lo"], rel=1e-9)
    assert column(found, "high") == pytest.approx(interval["hi"], rel=1e-9)


@pytest.mark.parametrize("kind", ["CR0", "CR1", "CR1S"])
def test_the_other_corrections_on_grunfelds_firms(case, kind):
    rows, given = case("grunfeld")
    X = np.column_stack((np.ones(rows.height), rows["value"], rows["capital"]))
    sums = sum_clusters(X, rows["invest"].to_numpy(), rows["firm"].to_numpy())
    expected = list(given["expected"][f"{kind}_se"].values())
    assert fit_clusters(sums, kind=kind).standard_errors == pytest.approx(expected, rel=1e-11)


def test_cr2_of_log_power_on_log_pressure_and_temperature(case):
    rows, given = case("log_power")
    expected = given["expected"]
    found = regress("log_power ~ log(P_kPa/99) + log(T_K/298)", rows, by="session")
    assert column(found, "estimate") == pytest.approx(list(expected["coef"].values()), rel=1e-11)
    assert column(found, "se") == pytest.approx(expected["CR2_se"], rel=1e-9)
    assert column(found, "df") == pytest.approx(expected["df_satt"], rel=1e-8)
    # The intercept's is 6e-17 and stands for its t of 4,000.
    assert column(found, "p_value") == pytest.approx(expected["p_satt"], rel=1e-8)
    assert column(found, "low") == pytest.approx(expected["ci_satt"]["lo"], rel=1e-9)


@pytest.mark.parametrize("term", ["value", "capital"])
def test_the_wild_bootstrap_counts_every_draw_on_grunfelds_firms(case, term):
    # All 1,024 sign changes; draws that tie with the data count.
    rows, given = case("grunfeld")
    expected = given["wild"]["expected"][term]
    found = regress("invest ~ value + capital", rows, errors="wild", by="firm")
    shown = found.table.filter(term=term).row(0, named=True)
    assert shown["estimate"] == pytest.approx(expected["beta"], rel=1e-11)
    assert shown["p_value"] == expected["count_ge"] / expected["n_draws"] == expected["p_ge"]


def test_webbs_weights_below_seven_clusters(case):
    # Six points a cluster: with five there are 7,776 draws, and p is a whole number of them.
    rows, _ = case("grunfeld")
    few = rows.filter(rows["firm"] <= 5)
    X = np.column_stack((np.ones(few.height), few["value"], few["capital"]))
    found = wild_p_values(sum_clusters(X, few["invest"].to_numpy(), few["firm"].to_numpy()))
    assert found * 6**5 == pytest.approx(np.round(found * 6**5), abs=1e-9)
    assert (found > 0).all()


def test_dyestuff_by_reml(case):
    rows, given = case("dyestuff")
    expected = given["expected"]["REML"]
    found = regress("`yield` ~ 1", rows, errors="mixed", by="batch")
    assert found.table["estimate"][0] == pytest.approx(expected["fixef"]["(Intercept)"], rel=1e-12)
    assert found.table["se"][0] == pytest.approx(expected["se"]["(Intercept)"], rel=1e-7)
    assert found.table["df"][0] == pytest.approx(5.0, rel=1e-5)  # balanced: batches less one
    between, within = expected["var"].values()
    assert found.sds["batch"] ** 2 == pytest.approx(between, rel=1e-6)
    assert found.sds["residual"] ** 2 == pytest.approx(within, rel=1e-6)


def test_machines_with_satterthwaites_degrees_of_freedom(case):
    rows, given = case("machines")
    expected = given["expected"]
    found = regress("score ~ machine", rows, errors="mixed", by="worker")
    satt = expected["satt"]
    assert column(found, "estimate") == pytest.approx(satt["Estimate"], rel=1e-11)
    assert column(found, "se") == pytest.approx(satt["Std. Error"], rel=1e-7)
    assert column(found, "df") == pytest.approx(satt["df"], rel=1e-5)
    # Kenward and Roger's are the same in a balanced study.
    assert column(found, "df") == pytest.approx(expected["kenward_roger"]["df"], rel=1e-5)
    between, within = expected["REML"]["var"].values()
    assert found.sds["worker"] ** 2 == pytest.approx(between, rel=1e-6)
    assert found.sds["residual"] ** 2 == pytest.approx(within, rel=1e-6)
