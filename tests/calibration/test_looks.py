from __future__ import annotations

from collections import Counter
from itertools import pairwise

import pytest
from looks import (
    CASES,
    METHODS,
    NAIVE,
    Scene,
    _levels,
    _through,
    foresight_of,
    foretell,
    judge,
    page_of,
    simulate,
    table_of,
)
from scipy.stats import binom

from dynostats.analysis.question import LEAST_ALPHA

QUICK = 30
SCENE = Scene(pairs=4, past=0, shape="smooth")
ONE_IN_A_THOUSAND = 0.001
RULE = "lan_demets_obrien_fleming"


@pytest.fixture(scope="module")
def said():
    return judge(SCENE, QUICK)


def test_looks_after_every_pair_claim_falsely_at_most_as_often_as_alpha_says(said):
    """reports/looks.md has the full size."""
    counts = said[RULE, (0.0, 0.5)]
    claims = counts["gain"] + counts["loss"] + counts["mixed"]
    assert claims <= binom.ppf(1 - ONE_IN_A_THOUSAND, QUICK, 0.05)
    assert counts["studies"] == QUICK


def test_a_large_effect_is_found_and_ends_the_study_early(said):
    counts = said[RULE, (3.0, 0.5)]
    assert counts["gain"] == QUICK
    assert counts["pairs"] < SCENE.pairs * QUICK


def test_a_correction_never_claims_more_than_none(said):
    for case in CASES:
        claims = {
            method: QUICK - said[method, case]["undecided"] for method in (NAIVE, RULE, "pocock")
        }
        assert max(claims.values()) == claims[NAIVE]


def test_information_and_levels_grow_as_the_pairs_come_in():
    (glances,) = simulate(SCENE, 1)
    shares = [glance.information for glance in glances]
    assert all(one < other for one, other in pairwise(shares))
    assert shares[-1] == 1.0
    found = _levels(RULE, tuple(shares), tuple(9.0 for _ in shares), SCENE.pairs)
    assert found[0] < LEAST_ALPHA <= found[-1]


def test_pairs_are_complete_when_both_setups_were_pulled():
    assert [_through("ABBAAB", pairs) for pairs in (1, 2, 3)] == [2, 4, 6]
    assert _through("AABB", 1) == 3


def test_the_tables_hold_every_method_and_the_foresight():
    results = {
        SCENE: {
            (method, case): Counter(gain=2, undecided=8, studies=10, pairs=35)
            for method in METHODS
            for case in CASES
        }
    }
    table = table_of(results)
    assert table.height == len(METHODS) * len(CASES)
    false = table.filter(method=NAIVE, effect_pct=0.0)["false_claims"][0]
    assert false == pytest.approx(0.2)
    foresight = foresight_of([(0.05, False), (0.95, True), (0.92, False)])
    assert foresight["looks"].to_list() == [1, 2]
    assert foresight["decided"].to_list() == [0.0, 0.5]
    page = page_of(table, foresight, 10)
    assert "20.0% (2.5% to 55.6%)" in page
    assert "| 0.9 to 1.0 | 0.94 | 2 | 0.50" in page


def test_foresight_is_told_before_the_look():
    told = foretell(SCENE, 2)
    assert told
    assert all(0.0 <= chance <= 1.0 for chance, _ in told)
