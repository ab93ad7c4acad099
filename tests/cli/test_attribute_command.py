"""The command that says why: its JSON, its terminal answer, its refusals."""

from __future__ import annotations

import math

import pytest

COOLERS = ("--baseline", "thin-core", "--candidate", "deep-core")
PAIR = ("--baseline", "standard", "--candidate", "short-hose")


def test_attribute(on):
    ran = on("attribute", *PAIR, "--json")
    answer = ran.json()
    assert ran.status == 0
    assert set(answer) >= {"total_pct", "parts", "coefficients", "identified", "warnings"}
    assert isinstance(answer["identified"], bool)
    for part in answer["parts"]:
        assert set(part) >= {"name", "effect_pct", "low_pct", "high_pct"}
        assert part["name"] in {"boost", "charge_temperature", "mixture", "unexplained"}
    for one in answer["coefficients"]:
        assert set(one) >= {"name", "estimate", "low", "high"}
    summed = sum(math.log1p(part["effect_pct"] / 100) for part in answer["parts"])
    assert summed == pytest.approx(math.log1p(answer["total_pct"] / 100), abs=1e-9)


def test_total_is_the_effect_that_compare_states(on):
    total = on("attribute", *PAIR, "--json").json()["total"]
    overall = on("compare", *PAIR, "--json").json()["overall"]
    for key in ("effect_pct", "low_pct", "high_pct", "effect_kw"):
        assert total[key] == pytest.approx(overall[key], rel=1e-9)


def test_only_logged_channels_make_parts(on):
    answer = on("attribute", *PAIR, "--json").json()
    # Boost was logged, but these small logs were made with one and the same in every pull.
    assert [part["name"] for part in answer["parts"]] == ["unexplained"]
    why = {one["name"]: one["why"] for one in answer["cannot_split"]}
    assert set(why) == {"boost", "charge_temperature", "mixture"}
    assert "the same in every pull" in why["boost"]
    assert "was not logged" in why["mixture"]


def test_warnings_go_to_standard_error_beside_json(on):
    ran = on("attribute", *PAIR, "--json")
    assert "Warning: " in ran.err
    assert "Warning: " not in ran.out


def test_terminal_answer(run, cooler_warehouse):
    ran = run("--warehouse", cooler_warehouse, "attribute", *COOLERS)
    assert ran.status == 0
    assert ran.out.startswith("WHY  deep-core against thin-core on QB-21T")
    for words in ("boost (assumed)", "charge temperature (assumed)", "unexplained", "total"):
        assert words in ran.out
    assert "absolute manifold pressure" in ran.out
    assert "Next: " in ran.out


def test_a_cooler_loses_boost_and_gains_by_cold_charge(run, cooler_warehouse):
    ran = run("--warehouse", cooler_warehouse, "attribute", *COOLERS, "--json")
    parts = {part["name"]: part for part in ran.json()["parts"]}
    assert parts["boost"]["high_pct"] < 0 < parts["charge_temperature"]["low_pct"]
    assert parts["boost"]["change_pct"] == pytest.approx(-1.66, abs=0.3)  # the simulator's
    speeds = ran.json()["curve"]
    assert speeds[-1]["boost_pct"] < speeds[0]["boost_pct"]


def test_terminal_answer_where_nothing_can_be_split(on):
    ran = on("attribute", *PAIR)
    assert ran.status == 0
    assert "unexplained" in ran.out
    assert "exponent" not in ran.out


def test_a_wrong_setup_is_refused(on):
    ran = on("attribute", "--baseline", "standard", "--candidate", "short-hoze", "--json")
    assert ran.status == 1
    assert "short-hose" in ran.json()["error"]["mend"]


def test_a_band_outside_the_pulls_is_refused(on):
    ran = on("attribute", *PAIR, "--band", "9000:9500", "--json")
    assert ran.status == 1
    assert ran.json()["error"]["where"] == "--band"
