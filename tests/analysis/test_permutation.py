from __future__ import annotations

import itertools
import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from dynostats.analysis.permutation import flip_signs, permute_setups, permute_within_blocks
from dynostats.analysis.relabeling import Block, deal_labels
from dynostats.errors import AnalysisError

REFERENCE = Path(__file__).parent / "reference"


def reference(name):
    """Return a published data set and what was computed from it: full enumeration, float64."""
    return json.loads((REFERENCE / f"{name}.json").read_text("utf-8"))


def arrays(case):
    return np.array(case["input"]["yA"]), np.array(case["input"]["yB"])


def assert_equals_reference(test, expected):
    assert test.exact
    assert test.relabelings == expected["relabelings"]
    assert test.df == expected["df"]
    assert test.t == pytest.approx(np.array(expected["t"]), rel=1e-9, abs=1e-11)
    assert test.t_max == pytest.approx(expected["t_max"], rel=1e-11)
    assert test.p_value == expected["p_value"]
    assert test.critical_value == pytest.approx(expected["critical_value_95"], rel=1e-11)
    counts = np.array(expected["counts_reaching"])
    np.testing.assert_array_equal(np.rint(test.p_curve * test.relabelings), counts)


# --- against the outside ---------------------------------------------------------------------


def test_pairs_of_shoes():
    # Box, Hunter & Hunter, Statistics for Experimenters (1978; 2nd ed. 2005, sec. 3.2), boys'
    # shoes; computed with R 4.2.2 by enumeration of all 1024 sign flips; agrees with t = 3.3489.
    a = np.array([13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3])
    b = np.array([14, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6])
    test = flip_signs((b - a)[:, None])
    assert test.t[0] == pytest.approx(3.34887653622158, rel=1e-12)
    assert test.df == 9
    assert test.exact
    assert test.relabelings == 1024
    assert test.p_value == 0.013671875  # 14 of 1024: 3 sums greater and 4 equal, a side


def test_two_groups_of_tomatoes():
    # Box, Hunter & Hunter, Statistics for Experimenters, tomato fertilizer example (published
    # difference 1.69, t 0.44, one-sided 154/462); computed with R 4.2.2, all 462 arrangements.
    a = np.array([29.9, 11.4, 25.3, 16.5, 21.1])
    b = np.array([26.6, 23.7, 28.5, 14.2, 17.9, 24.3])
    test = permute_setups(a[:, None], b[:, None])
    assert test.t[0] == pytest.approx(0.44368483706557, rel=1e-12)
    assert test.df == 9
    assert test.exact
    assert test.relabelings == 462
    assert test.p_value == pytest.approx(305 / 462, rel=1e-14)  # 0.66017316017316


@pytest.mark.parametrize(
    ("pairs", "smallest"),
    [(2, 0.5), (3, 0.25), (4, 0.125), (5, 0.0625), (6, 0.03125), (7, 0.015625), (8, 0.0078125)],
)
def test_smallest_p_of_pairs(pairs, smallest):
    # Combinatorial identity, 2/2^n, computed with R 4.2.2.
    test = flip_signs(np.arange(1.0, pairs + 1.0)[:, None])
    assert test.smallest_p == smallest
    assert test.p_value == smallest


@pytest.mark.parametrize(
    ("a_side", "smallest"),
    [(2, 0.333333333333333), (3, 0.1), (4, 0.0285714285714286), (5, 0.00793650793650794)],
)
def test_smallest_p_of_equal_groups(a_side, smallest):
    # Combinatorial identity, 2/choose(2n, n), computed with R 4.2.2.
    low = np.arange(a_side, dtype=float)[:, None]
    test = permute_setups(low, 100.0 + low)
    assert test.smallest_p == pytest.approx(smallest, rel=1e-13)
    assert test.p_value == pytest.approx(smallest, rel=1e-13)


@pytest.mark.parametrize(("baseline", "candidate", "arrangements"), [(3, 6, 84), (2, 10, 66)])
def test_smallest_p_of_unequal_groups(baseline, candidate, arrangements):
    # Arrangements computed with R 4.2.2; no arrangement has its opposite among them.
    low, high = np.arange(baseline, dtype=float), 100.0 + np.arange(candidate, dtype=float)
    test = permute_setups(low[:, None], high[:, None])
    assert test.relabelings == arrangements
    assert test.smallest_p == 1 / arrangements
    assert test.p_value == pytest.approx(1 / arrangements, rel=1e-13)


def test_paired_curves():
    # Caravaggi et al. (2010), J. Anatomy 217:254, plantar arch angle, as bundled with spm1d
    # 0.4.55 (uv1d.tpaired.PlantarArchAngle): t by spm1d; p and critical value by enumeration of
    # all 1024 sign flips, p = count / N, critical value an order statistic.
    case = reference("arch_angle_paired")
    a, b = arrays(case)
    assert_equals_reference(flip_signs(a - b), case["expected"])


def test_two_groups_of_curves():
    # spm1d 0.4.55 (uv1d.t2.SimulatedTwoLocalMax): t by spm1d; p and critical value by enumeration
    # of all 924 relabelings.
    case = reference("two_local_max")
    a, b = arrays(case)
    assert_equals_reference(permute_setups(b, a), case["expected"])


def test_three_against_three_curves_can_show_nothing_at_5_percent():
    # Rows of the arch angle curves above; enumeration of all 20 relabelings.
    a, b = arrays(reference("arch_angle_paired"))
    test = permute_setups(b[3:6], a[:3])
    assert_equals_reference(test, reference("arch_angle_3v3")["expected"])
    assert test.smallest_p == 0.1


def test_six_pairs_are_not_rejected_where_interpolation_rejects():
    # The notes of the same reference: on 6 pairs spm1d's interpolated percentile (4.645) rejects
    # at 5% where the exact p is 4/64.
    a, b = arrays(reference("arch_angle_paired"))
    tests = [
        flip_signs(a[list(rows)] - b[list(rows)]) for rows in itertools.combinations(range(10), 6)
    ]
    between = [test for test in tests if test.p_value == 4 / 64]
    assert between
    assert all(test.t_max <= test.critical_value * (1.0 + 1e-9) for test in between)


# --- against the plain definition ------------------------------------------------------------


def plain(largest, observed, alpha):
    """Return p and critical value by definition from the largest |t| of all relabelings."""
    ordered = sorted(largest)
    p = sum(value >= observed * (1.0 - 1e-9) for value in ordered) / len(ordered)
    return p, ordered[math.ceil(round((1.0 - alpha) * len(ordered), 9)) - 1]


@pytest.mark.parametrize(("baseline", "candidate"), [(3, 3), (2, 5), (5, 2), (4, 4)])
def test_two_groups_by_definition(baseline, candidate):
    rng = np.random.default_rng([baseline, candidate])
    curves = 6.0 + rng.standard_normal((baseline + candidate, 7)).cumsum(axis=1)
    rows = range(len(curves))
    largest = {}
    for chosen in itertools.combinations(rows, candidate):
        rest = [row for row in rows if row not in chosen]
        t = stats.ttest_ind(curves[list(chosen)], curves[rest]).statistic
        largest[chosen] = float(np.abs(t).max())
    test = permute_setups(curves[:baseline], curves[baseline:], alpha=0.1)
    observed = largest[tuple(rows)[baseline:]]
    p, critical = plain(largest.values(), observed, 0.1)
    assert test.relabelings == len(largest)
    assert test.t_max == pytest.approx(observed, rel=1e-10)
    assert test.p_value == pytest.approx(p, rel=1e-13)
    assert test.critical_value == pytest.approx(critical, rel=1e-10)


def test_pairs_by_definition():
    rng = np.random.default_rng(5)
    differences = 0.4 + rng.standard_normal((5, 6))
    largest = [
        float(np.abs(stats.ttest_1samp(differences * np.array(s)[:, None], 0.0).statistic).max())
        for s in itertools.product((1, -1), repeat=5)
    ]
    test = flip_signs(differences, alpha=0.2)
    p, critical = plain(largest, largest[0], 0.2)
    assert test.relabelings == 32
    assert test.p_value == pytest.approx(p, rel=1e-13)
    assert test.critical_value == pytest.approx(critical, rel=1e-10)


BLOCKS = ["monday", "monday", "tuesday", "monday", "tuesday", "tuesday", "tuesday", "friday"]
IS_CANDIDATE = np.array([True, False, False, False, True, True, False, True])


def linear_model_t(curves, is_candidate):
    """Return t of the setup in least squares on setup and block, at each speed."""
    names = sorted(set(BLOCKS))
    design = np.array(
        [
            [float(flag), *(float(block == name) for name in names)]
            for flag, block in zip(is_candidate, BLOCKS, strict=True)
        ]
    )
    inverse = np.linalg.inv(design.T @ design)
    effects = inverse @ design.T @ curves
    df = len(curves) - design.shape[1]
    variance = ((curves - design @ effects) ** 2).sum(axis=0) / df
    return effects[0] / np.sqrt(variance * inverse[0, 0])


def test_blocks_by_definition():
    rng = np.random.default_rng(6)
    curves = rng.standard_normal((8, 5)) + 5.0 * np.array([[b == "monday"] for b in BLOCKS])
    dealt = [
        np.isin(np.arange(8), [*monday, *tuesday, 7])
        for monday in itertools.combinations((0, 1, 3), 1)
        for tuesday in itertools.combinations((2, 4, 5, 6), 2)
    ]
    largest = [float(np.abs(linear_model_t(curves, flags)).max()) for flags in dealt]
    test = permute_within_blocks(curves, IS_CANDIDATE, BLOCKS, alpha=0.2)
    observed = linear_model_t(curves, IS_CANDIDATE)
    p, critical = plain(largest, float(np.abs(observed).max()), 0.2)
    assert test.relabelings == len(largest) == 18  # 3 x 6 x 1: friday holds one setup only
    assert test.df == 4
    assert test.t == pytest.approx(observed, rel=1e-10)
    assert test.p_value == pytest.approx(p, rel=1e-13)
    assert test.critical_value == pytest.approx(critical, rel=1e-10)
    assert test.smallest_p == 1 / 18


def test_blocks_of_one_pair_each_are_pairs():
    rng = np.random.default_rng(7)
    curves = rng.standard_normal((12, 9))
    in_blocks = permute_within_blocks(
        curves, np.array([False, True] * 6), [str(row // 2) for row in range(12)]
    )
    in_pairs = flip_signs(curves[1::2] - curves[::2])
    assert in_blocks.t == pytest.approx(in_pairs.t, rel=1e-11)
    np.testing.assert_allclose(in_blocks.p_curve, in_pairs.p_curve, rtol=1e-13)
    assert in_blocks.critical_value == pytest.approx(in_pairs.critical_value, rel=1e-11)
    assert (in_blocks.df, in_blocks.relabelings) == (in_pairs.df, in_pairs.relabelings) == (5, 64)
    assert in_blocks.smallest_p == in_pairs.smallest_p == 2 / 64


def test_claims_by_p_and_by_critical_value_agree_with_ties():
    for seed in range(200):
        rng = np.random.default_rng(seed)
        # Whole numbers: many relabelings give the very same t, rounding apart.
        baseline, candidate = rng.integers(0, 3, (4, 3)) * 0.1, rng.integers(0, 4, (4, 3)) * 0.1
        test = permute_setups(baseline, candidate, alpha=0.1)
        above = np.abs(test.t) > test.critical_value * (1.0 + 1e-9)
        np.testing.assert_array_equal(test.p_curve <= 0.1, above)
        assert test.p_value == test.p_curve.min()


# --- what must not matter, and what must ------------------------------------------------------


@pytest.fixture
def sides():
    rng = np.random.default_rng(11)
    curves = 5.5 + 0.004 * rng.standard_normal((9, 12)).cumsum(axis=1)
    return curves[:4], curves[4:] + 0.006


def assert_same_verdict(test, other):
    np.testing.assert_allclose(test.p_curve, other.p_curve, rtol=1e-12)
    assert test.p_value == pytest.approx(other.p_value, rel=1e-12)
    assert test.critical_value == pytest.approx(other.critical_value, rel=1e-8)
    assert test.relabelings == other.relabelings


def test_the_sign_is_candidate_minus_baseline(sides):
    baseline, candidate = sides
    difference = candidate.mean(axis=0) - baseline.mean(axis=0)
    np.testing.assert_array_equal(np.sign(permute_setups(*sides).t), np.sign(difference))


def test_swapping_sides_flips_the_sign(sides):
    baseline, candidate = sides
    test, swapped = permute_setups(baseline, candidate), permute_setups(candidate, baseline)
    assert swapped.t == pytest.approx(-test.t, rel=1e-8)
    assert_same_verdict(swapped, test)


def test_flipping_differences_flips_the_sign(sides):
    differences = sides[1][:4] - sides[0]
    test, flipped = flip_signs(differences), flip_signs(-differences)
    assert flipped.t == pytest.approx(-test.t, rel=1e-12)
    assert_same_verdict(flipped, test)


def test_shifting_both_sides_by_a_curve_changes_nothing(sides):
    shift = np.linspace(-3.0, 3.0, 12)
    shifted = permute_setups(sides[0] + shift, sides[1] + shift)
    assert shifted.t == pytest.approx(permute_setups(*sides).t, rel=1e-8)
    assert_same_verdict(shifted, permute_setups(*sides))


def test_scale_at_each_speed_changes_nothing(sides):
    scale = np.geomspace(1e-3, 1e3, 12)
    scaled = permute_setups(sides[0] * scale, sides[1] * scale)
    assert scaled.t == pytest.approx(permute_setups(*sides).t, rel=1e-8)
    assert_same_verdict(scaled, permute_setups(*sides))


def test_order_of_pulls_and_speeds_changes_nothing(sides):
    rng = np.random.default_rng(12)
    speeds = rng.permutation(12)
    mixed = permute_setups(
        sides[0][rng.permutation(4)][:, speeds], sides[1][rng.permutation(5)][:, speeds]
    )
    assert mixed.t == pytest.approx(permute_setups(*sides).t[speeds], rel=1e-8)
    assert mixed.p_value == pytest.approx(permute_setups(*sides).p_value, rel=1e-12)


def test_differences_between_sessions_cancel_within_blocks(sides):
    curves = np.vstack(sides)
    is_candidate = np.arange(9) >= 4
    blocks = ["a", "b", "a", "b", "a", "b", "a", "b", "a"]
    session = np.array([[0.3] if name == "a" else [-0.2] for name in blocks])
    test = permute_within_blocks(curves, is_candidate, blocks)
    moved = permute_within_blocks(curves + session, is_candidate, blocks)
    assert moved.t == pytest.approx(test.t, rel=1e-8)
    assert_same_verdict(moved, test)


def test_a_session_of_one_setup_is_never_relabelled(sides):
    curves = np.vstack([*sides, sides[0][:2] + 0.5])
    is_candidate = np.array([False] * 4 + [True] * 5 + [False] * 2)
    test = permute_within_blocks(curves, is_candidate, ["day"] * 9 + ["other day"] * 2)
    assert test.relabelings == permute_setups(*sides).relabelings == 126
    assert test.df == 8


@pytest.mark.parametrize("other", ["before", "later"])
def test_a_session_of_one_setup_leaves_opposites_opposite(sides, other):
    # 4 against 4 in one session: 70 relabelings, each with its opposite among them.
    curves = np.vstack([sides[0], sides[1][:4], sides[0][:2] + 0.5])
    is_candidate = np.array([False] * 4 + [True] * 4 + [False] * 2)
    test = permute_within_blocks(curves, is_candidate, ["day"] * 8 + [other] * 2)
    assert test.relabelings == 70
    assert test.smallest_p == 2 / 70
    assert test.p_value * 70 == pytest.approx(2 * round(test.p_value * 35), rel=1e-12)


def test_as_many_relabelings_as_allowed_are_exact(sides):
    assert permute_setups(*sides, relabelings=126).exact
    assert not permute_setups(*sides, relabelings=125).exact


def test_input_is_left_as_it_was(sides):
    before = np.vstack(sides)
    permute_setups(*sides)
    flip_signs(sides[0])
    np.testing.assert_array_equal(np.vstack(sides), before)


# --- random relabelings -----------------------------------------------------------------------


def test_drawn_relabelings_come_near_the_exact_answer():
    rng = np.random.default_rng(13)
    baseline, candidate = rng.standard_normal((8, 10)), rng.standard_normal((8, 10)) + 0.5
    exact = permute_setups(baseline, candidate)
    drawn = permute_setups(baseline, candidate, relabelings=10_000, seed=1)
    assert exact.exact
    assert exact.relabelings == 12_870
    assert not drawn.exact
    assert drawn.relabelings == 10_000
    assert drawn.smallest_p == 1e-4
    # Four standard errors of a share of 10,000 draws.
    error = 4.0 * np.sqrt(exact.p_curve * (1.0 - exact.p_curve) / 10_000)
    assert (np.abs(drawn.p_curve - exact.p_curve) <= error).all()
    assert drawn.t == pytest.approx(exact.t, rel=1e-12)


def test_drawn_sign_flips_come_near_the_exact_answer():
    differences = np.random.default_rng(14).standard_normal((12, 10)) + 0.6
    exact = flip_signs(differences)
    drawn = flip_signs(differences, relabelings=4_000, seed=2)
    assert (exact.exact, exact.relabelings) == (True, 4_096)
    assert (drawn.exact, drawn.relabelings) == (False, 4_000)
    error = 4.0 * np.sqrt(exact.p_curve * (1.0 - exact.p_curve) / 4_000)
    assert (np.abs(drawn.p_curve - exact.p_curve) <= error).all()


def test_drawing_within_blocks_keeps_every_blocks_numbers():
    is_candidate = np.array([True, False, False, True, False])
    blocks = [
        Block(rows=np.array([0, 2, 4]), candidates=1),
        Block(rows=np.array([1, 3]), candidates=1),
    ]
    labels = deal_labels(blocks, is_candidate).drawn(1_000, np.random.default_rng(15))
    assert set(np.unique(labels)) == {0.0, 1.0}
    assert (labels[[0, 2, 4]].sum(axis=0) == 1.0).all()
    assert (labels[[1, 3]].sum(axis=0) == 1.0).all()


def test_all_dealings_are_drawn_equally_often():
    block = Block(rows=np.arange(5), candidates=2)
    labels = deal_labels([block], np.array([True, True, False, False, False])).drawn(
        20_000, np.random.default_rng(16)
    )
    _, counts = np.unique(labels, axis=1, return_counts=True)
    assert len(counts) == 10
    assert stats.chisquare(counts).pvalue > 0.001


def test_all_dealings_are_listed_once():
    blocks = [
        Block(rows=np.array([1, 3, 5, 7]), candidates=2),
        Block(rows=np.array([0, 2, 4]), candidates=1),
        Block(rows=np.array([6]), candidates=1),
    ]
    scheme = deal_labels(blocks, np.array([1, 1, 0, 1, 0, 0, 1, 0], dtype=bool))
    listed = scheme.listed(np.arange(scheme.total))
    assert scheme.total == 6 * 3
    assert np.unique(listed, axis=1).shape == (8, 18)
    assert (listed[[1, 3, 5, 7]].sum(axis=0) == 2.0).all()
    assert (listed[[0, 2, 4]].sum(axis=0) == 1.0).all()
    assert (listed[6] == 1.0).all()


def test_many_pulls_of_few_candidates_are_listed():
    # C(100, 98) = 4,950, though C(99, 49) has no place in 64 bits.
    block = Block(rows=np.arange(100), candidates=98)
    scheme = deal_labels([block], np.arange(100) > 1)
    listed = scheme.listed(np.arange(scheme.total))
    assert scheme.total == 4_950
    assert (listed.sum(axis=0) == 98.0).all()
    assert len(np.unique(listed, axis=1).T) == 4_950


def test_same_seed_same_answer_other_seed_other_draws():
    rng = np.random.default_rng(17)
    curves = rng.standard_normal((12, 6)), rng.standard_normal((12, 6))
    first, again = (permute_setups(*curves, relabelings=500, seed=3) for _ in range(2))
    other = permute_setups(*curves, relabelings=500, seed=4)
    assert first.critical_value == again.critical_value != other.critical_value
    np.testing.assert_array_equal(first.p_curve, again.p_curve)


def test_the_observed_labelling_counts_among_the_drawn():
    low = np.arange(12.0)[:, None]  # 2 in 2,704,156 relabelings are as extreme
    test = permute_setups(low, low + 1_000.0, relabelings=200)
    assert test.p_value == test.smallest_p == 1 / 200
    pairs = flip_signs(np.arange(1.0, 41.0)[:, None], relabelings=200)
    assert pairs.p_value == pairs.smallest_p == 1 / 200


def test_a_true_null_is_rejected_as_often_as_the_relabelings_allow():
    rng = np.random.default_rng(18)
    studies = 2_000
    root = np.linalg.cholesky(0.9 ** np.abs(np.subtract.outer(np.arange(15), np.arange(15))))
    rejected = sum(
        permute_setups(*(rng.standard_normal((2, 4, 15)) @ root.T), alpha=0.1).p_value <= 0.1
        for _ in range(studies)
    )
    expected = 6 / 70  # of 70 relabelings, in pairs of opposites, at most 7 may reject
    error = 4.0 * math.sqrt(expected * (1.0 - expected) / studies)
    assert rejected / studies == pytest.approx(expected, abs=error)


# --- edges and refusals -----------------------------------------------------------------------


def test_a_speed_at_which_all_agree_says_nothing(sides):
    baseline, candidate = (np.hstack([side, np.full((len(side), 1), 5.1)]) for side in sides)
    test = permute_setups(baseline, candidate)
    assert test.t[-1] == 0.0
    assert test.p_curve[-1] == 1.0
    assert test.p_value == permute_setups(*sides).p_value
    assert test.critical_value == pytest.approx(permute_setups(*sides).critical_value, rel=1e-12)


def test_no_scatter_at_all_gives_a_finite_t_and_the_smallest_p():
    test = permute_setups(np.full((4, 3), 5.0), np.full((4, 3), 5.1))
    assert np.isfinite(test.t).all()
    assert test.p_value == test.smallest_p
    assert math.isfinite(flip_signs(np.full((6, 3), -0.1)).t_max)


def test_a_single_pull_a_side_is_refused(sides):
    with pytest.raises(
        AnalysisError, match="2 pulls of each setup beside the other; there are 1 of"
    ):
        permute_setups(sides[0][:1], sides[1])
    with pytest.raises(AnalysisError, match="1 of the candidate"):
        permute_setups(sides[0], sides[1][:1])


def test_pulls_of_unshared_sessions_do_not_count(sides):
    with pytest.raises(AnalysisError, match="0 of the baseline and 0 of the candidate"):
        permute_within_blocks(np.vstack(sides), np.arange(9) >= 4, ["a"] * 4 + ["b"] * 5)


def test_a_single_pair_is_refused():
    with pytest.raises(AnalysisError, match="at least 2 pairs; there are 1"):
        flip_signs(np.ones((1, 4)))


def test_curves_all_alike_are_refused():
    curve = np.linspace(5.0, 5.5, 7)
    with pytest.raises(AnalysisError, match="alike at every speed"):
        permute_setups(np.tile(curve, (3, 1)), np.tile(curve, (3, 1)))
    with pytest.raises(AnalysisError, match="alike at every speed"):
        flip_signs(np.zeros((3, 7)))


def test_curves_with_gaps_are_refused(sides):
    with pytest.raises(AnalysisError, match="gaps"):
        permute_setups(sides[0], np.where(sides[1] > sides[1].min(), sides[1], np.nan))
    with pytest.raises(AnalysisError, match="no curve at all"):
        flip_signs(np.zeros((3, 0)))


def test_unequal_speeds_are_refused(sides):
    with pytest.raises(AnalysisError, match="same speeds"):
        permute_setups(sides[0], sides[1][:, 1:])


def test_labels_of_another_length_are_refused(sides):
    with pytest.raises(AnalysisError, match="4 curves came with 3 setup labels and 4"):
        permute_within_blocks(sides[0], np.array([True, False, True]), ["a"] * 4)


@pytest.mark.parametrize("alpha", [0.0, 1.0, -0.05, float("nan")])
def test_alpha_outside_its_range_is_refused(sides, alpha):
    with pytest.raises(AnalysisError, match="between 0 and 1"):
        permute_setups(*sides, alpha=alpha)


def test_too_few_relabelings_for_alpha_are_refused(sides):
    with pytest.raises(AnalysisError, match="Allow at least 20"):
        permute_setups(*sides, relabelings=19)
