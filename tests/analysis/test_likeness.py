"""How far repeats lie apart, and what is said of pulls that lie further."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest

from dynostats.analysis.likeness import (
    Repeats,
    channel_noise,
    repeats_of,
    scope_of,
    tell_similar,
    without_copies,
)

RPM = np.arange(2000.0, 4000.0, 50.0)
KNOWN = Repeats(pairs=40, shape_pct=0.5, level_pct=1.0, whole_pct=1.1)
FAR = Repeats(pairs=40, shape_pct=0.8, level_pct=2.0, whole_pct=2.2)
FEW = Repeats(pairs=3, shape_pct=None, level_pct=None, whole_pct=None)


def shop(seed, *, sessions=12, repeats=2, sd=0.005, day_sd=0.0):
    """Return pulls of one setup and their torque: level noise, and tilt noise of a third of it."""
    rng = np.random.default_rng(seed)
    rows, curves = [], []
    tilt = np.linspace(-1.0, 1.0, len(RPM))
    for session in range(sessions):
        day = rng.normal(0.0, day_sd)
        for _ in range(repeats):
            name = f"P{len(rows) + 1}"
            rows.append((name, "E", "c", f"s{session}", "base", None, "accepted"))
            log = 5.0 + day + rng.normal(0.0, sd) + rng.normal(0.0, sd / 3.0) * tilt
            curves.append(
                pl.DataFrame({"pull": [name] * len(RPM), "rpm": RPM, "torque": np.exp(log)})
            )
    names = ("pull", "engine", "dyno", "session", "setup", "order", "state")
    return pl.DataFrame(rows, schema=names, orient="row"), pl.concat(curves)


def matches(**given):
    row = {
        "pull": "P2",
        "engine": "E",
        "dyno": "c",
        "session": "s1",
        "setup": "base",
        "started": None,
        "shape_pct": 0.2,
        "level_pct": 0.1,
        "whole_pct": 0.3,
        "speeds": 40,
        "overlap": 1.0,
        "from_rpm": 2000.0,
        "to_rpm": 3950.0,
        "distance": 0.2,
        "compared": 7,
    }
    return pl.DataFrame([row | given])


def tell(by="shape", repeats=(KNOWN, FAR), **given):
    return tell_similar(
        "P1",
        by,
        matches(**given),
        pl.DataFrame(),
        band=(2000.0, 3950.0),
        least_overlap=0.8,
        repeats=repeats,
        repeats_from="test",
    )


def test_limits_are_order_statistics_of_the_pairs():
    pulls, curves = shop(1, sessions=20)
    one, two = repeats_of(pulls, curves, rpm=RPM, least_overlap=0.8)
    levels = (
        curves.with_columns(pl.col("torque").log()).group_by("pull").agg(pl.col("torque").mean())
    )
    level = dict(levels.rows())
    apart = sorted(abs(level[f"P{2 * i + 2}"] - level[f"P{2 * i + 1}"]) for i in range(20))
    assert one.pairs == 20
    # Rank ceil(0.95 x 21) = 20: the largest of twenty.
    assert one.level_pct == pytest.approx(100 * apart[-1], rel=1e-6)
    assert two.pairs == 40 * 39 // 2 - 20


def test_below_nineteen_pairs_nothing_is_claimed():
    pulls, curves = shop(2, sessions=18)
    one, _ = repeats_of(pulls, curves, rpm=RPM, least_overlap=0.8)
    assert (one.pairs, one.shape_pct, one.whole_pct) == (18, None, None)
    assert tell(repeats=(one, FEW)).matches["like"].to_list() == [None]


def test_a_further_pair_lies_within_the_limit_as_often_as_said():
    # 200 shops of 40 independent pairs: at least 95%, standard error 1.6%.
    inside = 0
    for seed in range(200):
        pulls, curves = shop(seed, sessions=41)
        one, _ = repeats_of(
            pulls.head(80), curves.filter(pl.col("pull").is_in(pulls["pull"].head(80).to_list())),
            rpm=RPM, least_overlap=0.8,
        )  # fmt: skip
        last = np.log(curves["torque"].to_numpy().reshape(-1, len(RPM)))[-2:]
        whole = 100 * math.sqrt(np.mean((last[1] - last[0]) ** 2))
        inside += whole <= one.whole_pct
    assert 0.91 <= inside / 200 <= 0.99


def test_days_that_differ_show_in_the_limit_of_two_sessions_only():
    pulls, curves = shop(3, sessions=20, day_sd=0.02)
    one, two = repeats_of(pulls, curves, rpm=RPM, least_overlap=0.8)
    assert two.level_pct > 2 * one.level_pct
    assert two.shape_pct == pytest.approx(one.shape_pct, rel=0.5)


def test_as_like_as_a_repeat_or_not():
    assert tell(shape_pct=0.5).matches["like"].item() == "one_session"
    assert tell(shape_pct=0.7).matches["like"].item() == "two_sessions"
    assert tell(shape_pct=0.9).matches["like"].item() == "neither"
    # By level, shape and level count together.
    assert tell("level", shape_pct=0.1, whole_pct=1.5).matches["like"].item() == "two_sessions"
    # With less in common than a match must have, nothing is claimed.
    assert tell(shape_pct=0.1, overlap=0.3).matches["like"].item() is None
    # How far days differ is not known: beyond a session's repeats nothing is claimed.
    assert tell(shape_pct=0.7, repeats=(KNOWN, FEW)).matches["like"].item() is None


def test_what_sets_a_pull_apart_is_named():
    assert tell().matches["differs"].item() == ""
    said = tell(shape_pct=0.6, level_pct=-3.0).matches["differs"].item()
    assert said == "shape by 0.60% (repeats: 0.50%); level by -3.00% (repeats: ±1.00%)"


def test_channel_noise_is_pooled_within_setup_and_session():
    pulls, _ = shop(4, sessions=2)
    curves = pl.DataFrame(
        {
            "pull": ["P1", "P2", "P3", "P4"] * 2,
            "rpm": [2000.0] * 4 + [2050.0] * 4,
            "lambda": [0.80, 0.82, 0.90, 0.94, 0.80, 0.84, 0.90, None],
            "throttle": [100.0] * 8,
        }
    )
    noise = channel_noise(pulls, curves, ["lambda", "throttle"])
    # Differences .02, .04 and .04 of two: variances d²/2, three of one degree of freedom each.
    expected = math.sqrt((0.02**2 + 0.04**2 + 0.04**2) / 2 / 3)
    assert noise["lambda"].sd == pytest.approx(expected, rel=1e-9)
    assert noise["lambda"].df == 2
    assert "throttle" not in noise  # never moves: a difference has no measure


def test_noise_comes_from_the_pull_s_own_dyno_its_engine_first():
    rows = [(f"P{i}", "E" if i % 2 else "F", "c" if i < 1500 else "d", "s", "u", "accepted")
            for i in range(1, 2001)]  # fmt: skip
    names = ("pull", "engine", "dyno", "session", "setup", "state")
    pulls = pl.DataFrame(rows, schema=names, orient="row")
    scope = scope_of(pulls, "P701")
    assert scope.height == 600
    assert set(scope["engine"]) == {"E"}
    assert set(scope["dyno"]) == {"c"}
    assert {"P700", "P702"}.isdisjoint(scope["pull"].to_list())
    near = scope["pull"].str.slice(1).cast(pl.Int64)
    assert near.min() > 50


def test_a_pull_filed_twice_teaches_nothing_of_repeats():
    pulls, curves = shop(3)
    again = curves.filter(pull="P1").with_columns(pull=pl.lit("P99"))
    twice = pl.concat([pulls, pulls.filter(pull="P1").with_columns(pull=pl.lit("P99"))])
    kept = without_copies(twice, pl.concat([curves, again]))
    assert kept["pull"].to_list() == pulls["pull"].to_list()


def test_a_match_that_is_the_same_pull_is_said_to_be():
    (warning,) = tell(shape_pct=0.0, level_pct=0.0, whole_pct=0.0).warnings
    assert warning.startswith("P2: the torque of P1 at every speed")
    assert tell().warnings == ()
