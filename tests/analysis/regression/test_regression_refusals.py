"""What a regression refuses, and that it says what to do."""

from __future__ import annotations

import re

import polars as pl
import pytest
from regression_shop import make_rows

from dynostats.analysis.regression.formula import plain_terms, variables
from dynostats.analysis.regression.regress import regress
from dynostats.errors import AnalysisError, InputError


@pytest.fixture(scope="module")
def rows():
    return make_rows(4).with_columns(
        ambient=pl.col("session").rank("dense"), engine=pl.lit("mule"), twice=2 * pl.col("rpm")
    )


@pytest.mark.parametrize(
    ("formula", "says", "mend"),
    [
        ("log_torque ~ log_manifold_presure", "log_manifold_presure", "log_manifold_pressure"),
        (
            "log_torque ~ poly(rpmm, 2)",
            "no channel, column or function rpmm",
            "Did you mean 'rpm'?",
        ),
        ("log_torque ~ rpm + (", "cannot be read", "response ~ term"),
        ("log_torque ~ nonsense(rpm)", "function nonsense", "There are: pull"),
        ("log_torque", "one left and one right side", "response ~ term"),
        ("log_torque ~ rpm | setup", "one left and one right side", "response ~ term"),
        ("setup ~ rpm", "not one number a row", "one numeric column"),
        ("log_torque ~ rpm**2", r"rpm\*\*2 is rpm itself", r"I\(rpm\*\*2\)"),
        ("log_torque ~ log(rpm - 9000)", "no row has everything", "finite value"),
    ],
)
def test_a_formula_that_cannot_be_read(rows, formula, says, mend):
    with pytest.raises(InputError, match=says) as told:
        regress(formula, rows)
    assert re.search(mend, told.value.mend)


@pytest.mark.parametrize(
    ("formula", "says"),
    [
        ("log_torque ~ rpm + engine", "engine does not vary: it is the same in all 480 rows"),
        ("log_torque ~ rpm + I(0 * rpm + 7)", r"I\(0 \* rpm \+ 7\) does not vary"),
        ("I(0 * rpm) ~ rpm", "what is explained is the same"),
        ("log_torque ~ rpm + ambient", "ambient does not vary within any session"),
        ("log_torque ~ log_manifold_pressure + twice + rpm", "rpm follows from twice"),
        (
            "log_torque ~ rpm + order + I(rpm + 3 * order)",
            r"I\(rpm \+ 3 \* order\) follows from rpm, order",
        ),
        ("log_torque ~ 1", "no term"),
    ],
)
def test_rows_that_do_not_allow_the_fit(rows, formula, says):
    with pytest.raises(AnalysisError, match=says) as told:
        regress(formula, rows)
    assert told.value.mend


def test_few_clusters(rows):
    with pytest.raises(AnalysisError, match="too few clusters: 3 of pull"):
        regress("log_torque ~ rpm", rows.filter(pl.col("pull").is_in(["P1", "P2", "P3"])))
    with pytest.raises(AnalysisError, match="too few clusters: 1 of engine"):
        regress("log_torque ~ rpm", rows, by="engine", errors="wild")


@pytest.mark.parametrize("errors", ["cr2", "wild"])
def test_a_setup_that_changed_in_two_sessions(rows, errors):
    two = rows.filter(pl.col("session").is_in(["day 0", "day 1"]))
    with pytest.raises(
        AnalysisError, match=r"too few sessions: 'plain' in 2, 'scoop' in 2"
    ) as told:
        regress("log_torque ~ bs(rpm, df=4) + setup", two, errors=errors)
    assert "mixed" in told.value.mend
    # Terms that do not name the setup may use the same pulls.
    assert regress("log_torque ~ log_manifold_pressure", two, errors=errors).groups == 8


def test_a_third_setup_that_changed_in_one_session_is_named(rows):
    third = rows.with_columns(
        setup=pl.when(pl.col("pull").is_in(["P2"])).then(pl.lit("cone")).otherwise("setup")
    )
    with pytest.raises(AnalysisError, match="'cone' in 1;"):
        regress("log_torque ~ rpm + setup", third)


def test_a_column_that_one_pull_alone_determines(rows):
    # Nothing scatters about its own coefficient: its error would be a fiction.
    marked = rows.with_columns(odd=(pl.col("pull") == "P2").cast(pl.Int8))
    with pytest.raises(AnalysisError, match="one pull alone determines odd"):
        regress("log_torque ~ rpm + odd", marked)


def test_rows_that_are_no_pulls(rows):
    bare = rows.drop("pull", "session")
    with pytest.raises(InputError, match="nothing says which of them share an error"):
        regress("log_torque ~ rpm", bare)
    assert regress("log_torque ~ rpm", bare, errors="independent").groups == bare.height


def test_a_pull_in_two_sessions(rows):
    again = pl.concat([rows, rows.filter(pl.col("pull") == "P3").with_columns(session=pl.lit("x"))])
    with pytest.raises(InputError, match="pull P3 lies in several sessions"):
        regress("log_torque ~ rpm", again)


def test_options_out_of_range(rows):
    with pytest.raises(InputError, match="must be one of cr2, wild, mixed, independent"):
        regress("log_torque ~ rpm", rows, errors="robust")
    with pytest.raises(InputError, match=r"alpha is 1\.5"):
        regress("log_torque ~ rpm", rows, alpha=1.5)
    with pytest.raises(InputError, match="no channel, column or function garage"):
        regress("log_torque ~ rpm", rows, by="garage")


def test_more_coefficients_than_rows(rows):
    few = rows.filter(pl.col("rpm") == 2000.0)
    with pytest.raises(AnalysisError, match="16 rows cannot tell"):
        regress("log_torque ~ C(order) + C(pull)", few, by="pull")


def test_names_of_a_formula():
    columns = ["y", "x", "rpm", "lambda", "setup"]
    assert variables("log(y) ~ poly(x, 2) + C(setup)", columns) == ("setup", "x", "y")
    assert variables("y ~ `lambda`", columns) == ("lambda", "y")
    assert plain_terms("y ~ x + rpm") == ("y", ("x", "rpm"))
    assert plain_terms("y ~ x + log(rpm)") is None
    assert plain_terms("y ~ 0 + x") is None
