"""A wrong name is answered with the one that was meant, whatever kind of name it is."""

from __future__ import annotations

import pytest

from dynostats.words import did_you_mean

COMPARE = ("compare", "--baseline", "standard", "--candidate", "short-hose")

MEANT = [
    (("comprae",), "compare"),
    (("compare", "--basline", "x"), "--baseline"),
    (("compare", "--baseline", "standrad", "--candidate", "short-hose"), "standard"),
    (("compare", "--baseline", "Standard", "--candidate", "short-hose"), "standard"),
    (("attribute", "--baseline", "standard", "--candidate", "short_hose"), "short-hose"),
    ((*COMPARE, "--engine", "qb18t"), "QB-18T"),
    ((*COMPARE, "--correction", "sae_1349"), "sae_j1349"),
    (("pulls", "--setup", "short-hoses"), "short-hose"),
    (("pulls", "--session", "may16"), "may-16"),
    (("repeatability", "--dyno", "cell1"), "cell-1"),
    (("monitor", "--setup", "standart"), "standard"),
    (("monitor", "--channel", "charge_temprature"), "charge_temperature"),
    (("plan", "--effect", "1.5", "--engine", "QB18T"), "QB-18T"),
    (("plan", "--effect", "1.5", "--dyno", "cell_1"), "cell-1"),
    (("query", "peak_powr"), "peak_power"),
    (("query", "pulls", "--param", "enginee=x"), "engine"),
    (("query", "--sql", "select $setup as s", "--param", "setups=x"), "setup"),
    (("regress", "log_torqe ~ rpm"), "log_torque"),
]


@pytest.mark.parametrize(("typed", "meant"), MEANT, ids=[" ".join(typed) for typed, _ in MEANT])
def test_did_you_mean(on, typed, meant):
    ran = on(*typed)
    said = ran.err + ran.out
    assert "Did you mean" in said
    assert f"'{meant}'" in said[said.index("Did you mean") :]


def test_a_reference_setup_is_suggested(on, first_files):
    ran = on("envelope", "--reference", "standrd", first_files / "may-16_1.csv")
    assert ran.status == 1
    assert "Did you mean 'standard'?" in ran.err


def test_a_field_spelled_nearly_like_a_label_is_doubted(run, own_warehouse):
    shop = ("--warehouse", own_warehouse)
    ran = run(*shop, "amend", "P1", "setpu=short-hose", "--why", "the sheet was wrong")
    assert ran.status == 0
    assert "Note: 'setpu' is now a column of your own. Did you mean 'setup'?" in ran.err
    own = run(*shop, "amend", "P1", "oil_batch=7", "--why", "from the can")
    assert "Did you mean" not in own.err


@pytest.mark.parametrize("name", ["cam", "", "zzzzzz"])
def test_nothing_is_suggested_where_nothing_is_like_it(name):
    assert did_you_mean(name, ["standard", "short-hose"]) == ""


def test_the_nearest_of_several_is_suggested():
    assert did_you_mean("outlet_7O", ["outlet-54", "outlet-70"]) == "Did you mean 'outlet-70'? "
