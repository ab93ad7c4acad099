"""The open regression on a warehouse: sums in the database, rows, the command, the refusals."""

from __future__ import annotations

import json
import subprocess
import sys

import polars as pl
import pytest
from regression_shop import make_rows, make_shop

import dynostats as ds
from dynostats.analysis.regression.regress import regress

PLAIN = "log_torque ~ log_manifold_pressure + log_charge_temperature + log_rpm"
SETUP = "log_torque ~ log_manifold_pressure + bs(rpm, df=5) + setup"


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    path = make_shop(tmp_path_factory.mktemp("regress"), make_rows(4))
    with ds.open_warehouse(path) as warehouse:
        yield warehouse


@pytest.fixture(scope="module")
def rows(shop):
    return shop.query("regression_rows").frame


@pytest.mark.parametrize("by", [None, "session"])
def test_sums_of_the_database_give_what_the_rows_give(shop, rows, by):
    summed, whole = shop.regress(PLAIN, by=by), regress(PLAIN, rows, by=by)
    assert summed.table["term"].to_list() == whole.table["term"].to_list()
    for name in ("estimate", "se", "df", "low", "high"):
        expected = whole.table[name].to_numpy()
        assert summed.table[name].to_numpy() == pytest.approx(expected, rel=1e-9, abs=1e-12)
    assert (summed.rows, summed.groups) == (whole.rows, whole.groups)
    assert summed.sds["residual"] == pytest.approx(whole.sds["residual"], rel=1e-9)


def test_dependent_terms_are_named_though_their_sums_cannot_tell_them(shop):
    # The sweeps are even in time; rpm and its logarithm over a narrow band are nearly one.
    with pytest.raises(ds.AnalysisError, match="rpm follows from time"):
        shop.regress("log_torque ~ time + rpm")
    narrow = shop.regress("log_torque ~ rpm + log_rpm", band=(3000, 3200))
    exact = regress(
        "log_torque ~ rpm + log_rpm", shop.query("regression_rows", low=3000.0, high=3200.0).frame
    )
    assert narrow.table["se"].to_list() == pytest.approx(exact.table["se"].to_list(), rel=1e-9)


def test_scope_and_data(shop, rows):
    part = shop.regress(PLAIN, band=(2500, 3500), engine="mule", setups=["plain"])
    kept = rows.filter(pl.col("rpm").is_between(2500, 3500), pl.col("setup") == "plain")
    assert part.rows == kept.height
    given = shop.regress(PLAIN, data=kept)
    assert given.table["estimate"].to_list() == pytest.approx(part.table["estimate"].to_list())
    with pytest.raises(ds.InputError, match="data is given"):
        shop.regress(PLAIN, data=kept, engine="mule")


def test_every_channel_can_be_named_and_the_nearest_is_offered(shop):
    assert shop.regress("charge_temperature ~ manifold_pressure + rpm").rows > 0
    with pytest.raises(ds.InputError, match="Did you mean 'log_manifold_pressure'"):
        shop.regress("log_torque ~ log_manifold_pressur")
    with pytest.raises(ds.InputError, match="oil_pressure is empty in all rows"):
        shop.regress("log_torque ~ oil_pressure + rpm")
    with pytest.raises(ds.WarehouseError, match="Did you mean 'mule'"):
        shop.regress(PLAIN, engine="mul")


def test_a_setup_changed_in_two_sessions_of_the_warehouse(cooler_warehouse):
    with (
        ds.open_warehouse(cooler_warehouse) as warehouse,
        pytest.raises(ds.AnalysisError, match=r"too few sessions: .*'deep-core' in 2"),
    ):
        warehouse.regress("log_torque ~ bs(rpm, df=6) + setup")


def run(warehouse, *arguments):
    command = [sys.executable, "-m", "dynostats", "--warehouse", warehouse.path, "regress"]
    return subprocess.run([*command, *arguments], capture_output=True, text=True, check=False)


def test_the_command_says_what_the_function_does(shop):
    told = run(shop, SETUP, "--errors", "wild", "--setup", "plain", "--setup", "scoop", "--json")
    found = shop.regress(SETUP, errors="wild", setups=["plain", "scoop"]).to_dict()
    assert told.returncode == 0, told.stderr
    answer = json.loads(told.stdout)
    assert set(answer) == set(found)
    assert answer["terms"][-1]["p_value"] == found["terms"][-1]["p_value"] <= 0.05
    assert "Note: Each session has a level of its own" in told.stderr
    assert "statsmodels" not in told.stderr


def test_the_command_shows_a_table(shop):
    told = run(shop, PLAIN)
    assert told.returncode == 0
    assert told.stdout.startswith(PLAIN)
    assert "log_charge_temperature" in told.stdout


def test_the_command_refuses_in_three_parts(shop):
    told = run(shop, "log_torque ~ rpmm", "--json")
    assert told.returncode == 1
    error = json.loads(told.stdout)["error"]
    assert set(error) == {"what", "where", "mend"}
    assert "Did you mean 'rpm'?" in error["mend"]


def test_statsmodels_is_loaded_by_the_mixed_model_alone(shop):
    code = (
        "import sys, dynostats as ds\n"
        f"wh = ds.open_warehouse({str(shop.path)!r})\n"
        f"wh.regress({SETUP!r})\n"
        "assert 'statsmodels' not in sys.modules\n"
        f"wh.regress({SETUP!r}, errors='mixed')\n"
        "assert 'statsmodels' in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
