"""Is the difference more than chance labelling gives: permutation tests of a whole curve.

The judge is the run order itself: had the change done nothing, the same curves would have come
with their labels dealt otherwise. The largest |t| over all speeds under every such dealing needs
no model of the noise, and holds for the whole curve at once.

Fast form: curves are centred and standardised once. At each speed the correlation r of labels and
curve is then one sum of products, t^2 = df r^2 / (1 - r^2) grows with r^2, and one matrix product
serves all relabelings. Sources: Pitman (1937), J. Royal Statistical Society Suppl. 4:119; Westfall
& Young (1993), Resampling-Based Multiple Testing, ch. 2, for the largest statistic; Phipson &
Smyth (2010), Stat. Applications in Genetics and Molecular Biology 9(1):39, for counting the
observed labelling.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dynostats.analysis.relabeling import Block, Scheme, deal_labels, find_blocks, swap_labels
from dynostats.arrays import Flags, Floats
from dynostats.errors import AnalysisError

# Up to this many relabelings all are listed; beyond, this many are drawn.
MOST_RELABELINGS = 100_000
SEED = 20_250_301
# Sums of the same numbers in another order differ in their last digits: r^2 nearer than this
# share are ties, and ties count.
TIE = 1e-9
# Curves that vary by less than this share of their size differ by rounding only.
ROUNDING = 1e-12
# An r^2 of 1, curves without any scatter about their setup, would be a t without bound.
LEAST_UNEXPLAINED = 1e-12
# Products are taken in parts of fewer multiplications than this. They stay in the processor's
# cache, and OpenBLAS (numpy's) gives a thread to every 2^18 multiplications: below twice that it
# uses one, whatever the machine is set to. More threads do not help products this thin, and wait
# for each other on a busy machine.
ONE_THREAD = 2 * 2**18 - 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PermutationTest:
    """What the relabelings say of candidate minus baseline.

    Args:
        t: Observed t at each speed, shape (speeds,); 0 where all curves agree to rounding.
        t_max: Largest |t| over all speeds.
        p_value: Share of relabelings whose largest |t| reaches `t_max`; two-sided, the observed
            labelling and ties counted.
        p_curve: The same for |t| at each speed, shape (speeds,): where it is at most alpha the
            setups differ, with the whole curve's family error kept.
        critical_value: The ceil((1 - alpha) N)-th smallest of the N largest |t|. Only an |t|
            above it is significant: one that equals it is not.
        alpha: Chance of any false claim over the curve that is accepted.
        df: Degrees of freedom of t.
        relabelings: Number N of relabelings, the observed one included.
        exact: True when these are all there are; False when they were drawn at random.
        smallest_p: Smallest p value that any curves could have given.
    """

    t: Floats
    t_max: float
    p_value: float
    p_curve: Floats
    critical_value: float
    alpha: float
    df: int
    relabelings: int
    exact: bool
    smallest_p: float


def permute_setups(
    baseline: Floats,
    candidate: Floats,
    *,
    alpha: float = 0.05,
    relabelings: int = MOST_RELABELINGS,
    seed: int = SEED,
) -> PermutationTest:
    """Compare two setups by dealing their labels to the pulls anew.

    Args:
        baseline: Curves of the baseline, shape (pulls, speeds), complete on the band.
        candidate: Curves of the candidate, shape (pulls, speeds).
        alpha: Chance of any false claim over the curve that is accepted.
        relabelings: All relabelings are used when there are at most this many; else this many,
            the observed one and others drawn at random.
        seed: Seed of the drawing.

    Returns:
        The test; t is the two-sample t with pooled variance.

    Raises:
        AnalysisError: Fewer than two pulls a side, a curve with gaps, curves on unequal speeds,
            curves all alike, or a setting outside its range.

    Assumes:
        The order of the pulls was drawn at random over the whole study.
    """
    if baseline.ndim != 2 or candidate.ndim != 2 or baseline.shape[1] != candidate.shape[1]:
        raise AnalysisError(
            f"the curves of baseline {baseline.shape} and candidate {candidate.shape} do not lie "
            "on the same speeds",
            mend="Give a row a pull and a column a grid speed, the same speeds for both.",
        )
    curves = np.vstack([baseline, candidate])
    return permute_within_blocks(
        curves,
        np.arange(len(curves)) >= len(baseline),
        ["study"] * len(curves),
        alpha=alpha,
        relabelings=relabelings,
        seed=seed,
    )


def permute_within_blocks(
    curves: Floats,
    is_candidate: Flags,
    blocks: list[str],
    *,
    alpha: float = 0.05,
    relabelings: int = MOST_RELABELINGS,
    seed: int = SEED,
) -> PermutationTest:
    """Compare two setups by dealing their labels anew inside each session or block.

    Args:
        curves: Shape (pulls, speeds), complete on the band.
        is_candidate: Shape (pulls,): True for the candidate, False for the baseline.
        blocks: Session or block of each pull, length pulls. One that holds a single setup is
            never relabelled; it adds to the residual variance only.
        alpha: As in `permute_setups`.
        relabelings: As in `permute_setups`.
        seed: As in `permute_setups`.

    Returns:
        The test; t is that of the setup in a linear model of setup and blocks.

    Raises:
        AnalysisError: As in `permute_setups`; the two pulls a side must stand in blocks that hold
            both setups.

    Assumes:
        The order of the pulls was drawn at random inside each block.
    """
    _check_curves(curves)
    if not len(curves) == len(is_candidate) == len(blocks):
        raise AnalysisError(
            f"{len(curves)} curves came with {len(is_candidate)} setup labels and {len(blocks)} "
            "block labels",
            mend="Give one label of each kind for every pull.",
        )
    found = find_blocks(is_candidate, blocks)
    _require_two_a_side(found)
    centred = curves.copy()
    for block in found:
        centred[block.rows] -= curves[block.rows].mean(axis=0)
    label_squares = sum(b.candidates * b.baselines / len(b.rows) for b in found)
    return _judge(
        _standardise(centred, curves) / np.sqrt(label_squares),
        deal_labels(found, is_candidate),
        df=len(curves) - len(found) - 1,
        alpha=alpha,
        relabelings=relabelings,
        seed=seed,
    )


def flip_signs(
    differences: Floats,
    *,
    alpha: float = 0.05,
    relabelings: int = MOST_RELABELINGS,
    seed: int = SEED,
) -> PermutationTest:
    """Compare two setups pulled in pairs by swapping the labels inside pairs.

    Args:
        differences: Candidate minus baseline of each pair, shape (pairs, speeds), complete on the
            band. A difference of two means, as of one session, serves as well.
        alpha: As in `permute_setups`.
        relabelings: As in `permute_setups`.
        seed: As in `permute_setups`.

    Returns:
        The test; t is the paired t.

    Raises:
        AnalysisError: Fewer than two pairs, a curve with gaps, no difference at all, or a setting
            outside its range.

    Assumes:
        Which of a pair came first was drawn at random, pair by pair.
    """
    _check_curves(differences)
    pairs = len(differences)
    if pairs < 2:
        raise AnalysisError(
            f"swapping the labels inside pairs needs at least 2 pairs; there are {pairs}",
            mend="Pull both setups again, one after the other.",
        )
    return _judge(
        _standardise(differences, differences) / np.sqrt(pairs),
        swap_labels(pairs),
        df=pairs - 1,
        alpha=alpha,
        relabelings=relabelings,
        seed=seed,
    )


def _check_curves(curves: Floats) -> None:
    if curves.ndim != 2 or curves.shape[1] == 0 or not np.isfinite(curves).all():
        raise AnalysisError(
            "a curve has gaps, or there is no curve at all",
            mend="Give a row a pull and a column a grid speed that every pull covers.",
        )


def _require_two_a_side(blocks: list[Block]) -> None:
    both = [block for block in blocks if block.candidates and block.baselines]
    baseline, candidate = sum(b.baselines for b in both), sum(b.candidates for b in both)
    if min(baseline, candidate) < 2:
        raise AnalysisError(
            "a permutation test needs at least 2 pulls of each setup beside the other; there are "
            f"{baseline} of the baseline and {candidate} of the candidate",
            mend="Pull both setups again in one session, in a drawn order.",
        )


def _standardise(centred: Floats, curves: Floats) -> Floats:
    """Scale centred curves to a sum of squares of 1 at each speed; 0 where all agree."""
    squares: Floats = (centred**2).sum(axis=0)
    flat = squares <= len(curves) * (ROUNDING * np.abs(curves).max(axis=0)) ** 2
    if flat.all():
        raise AnalysisError(
            "all curves are alike at every speed, so there is no noise to judge a difference by",
            mend="See whether the same file was stored under several names.",
        )
    return np.where(flat, 0.0, centred / np.sqrt(np.where(flat, 1.0, squares)))


def _judge(
    weights: Floats, scheme: Scheme, *, df: int, alpha: float, relabelings: int, seed: int
) -> PermutationTest:
    """Set the observed labels beside the others; labels @ weights are correlations."""
    _check_settings(alpha, relabelings)
    exact = scheme.total <= relabelings
    count = scheme.total if exact else relabelings
    parts = scheme.list_different() if exact else scheme.draw(count, seed)
    largest = np.sort(np.concatenate([_largest_squares(weights, labels) for labels in parts]))
    observed = scheme.observed @ weights
    p_curve = _share_reaching(observed**2, largest)
    t = _to_t(observed, df)
    # The order statistic ceil((1 - alpha) N) of all, where one of each pair of opposites was
    # computed; alpha N is taken with a little room, because 0.29 x 100 is 28.999999999999996.
    place = (count - 1 - int(alpha * count + TIE)) // (count // len(largest))
    return PermutationTest(
        t=t,
        t_max=float(np.abs(t).max()),
        p_value=float(p_curve.min()),
        p_curve=p_curve,
        critical_value=float(_to_t(np.sqrt(largest[place]), df)),
        alpha=alpha,
        df=df,
        relabelings=count,
        exact=exact,
        smallest_p=(2 if exact and scheme.mirrored else 1) / count,
    )


def _check_settings(alpha: float, relabelings: int) -> None:
    if not 0.0 < alpha < 1.0:
        raise AnalysisError(
            f"alpha is {alpha:g}; it must lie between 0 and 1",
            mend="Give the chance of a false claim you accept, for example 0.05.",
        )
    if relabelings * alpha < 1.0:
        raise AnalysisError(
            f"{relabelings} relabelings cannot show anything at alpha {alpha:g}",
            mend=f"Allow at least {int(np.ceil(1.0 / alpha))}; the default is {MOST_RELABELINGS}.",
        )


def _largest_squares(weights: Floats, labels: Floats) -> Floats:
    """Return the largest squared correlation of each relabeling, shape (relabelings,)."""
    across = np.ascontiguousarray(weights.T)
    largest = np.empty(labels.shape[1])
    step = max(ONE_THREAD // weights.size, 1)
    for first in range(0, len(largest), step):
        part = slice(first, first + step)
        correlation = across @ labels[:, part]
        np.multiply(correlation, correlation, out=correlation)
        correlation.max(axis=0, out=largest[part])
    return largest


def _share_reaching(squares: Floats, largest: Floats) -> Floats:
    """Return the share of the sorted values that reach each square, ties counted."""
    below = np.searchsorted(largest, squares * (1.0 - TIE), side="left")
    return (len(largest) - below) / float(len(largest))


def _to_t(correlation: Floats, df: int) -> Floats:
    unexplained = np.clip(1.0 - correlation**2, LEAST_UNEXPLAINED, None)
    return correlation * np.sqrt(float(df) / unexplained)
