from __future__ import annotations

import json
import math

import numpy as np
import polars as pl
import pytest
from explained import PAST, QUIET, REST, SHIFTS, explained, sessions_of

from dynostats.analysis.attribution import attribute
from dynostats.analysis.question import Question
from dynostats.simulate.causes import CauseModel

STUDY = ("ABBA", "ABBA")
NAMES = ["boost", "charge_temperature", "mixture", "unexplained"]
# Causes that vary widely and apart, and torque that hardly scatters: everything can be told.
WIDE = CauseModel(pull_sd_pct=(1.0, 0.8, 1.0))


def parts_of(found):
    return {part.name: part for part in found.parts}


def only(name, pulls_of, *, drop=True):
    """Take a channel away from some pulls, or from all others."""

    def change(pulls, curves):
        rows = pulls.filter(pl.col("setup").is_in(list(pulls_of)))["pull"]
        gone = (
            pl.col("pull").is_in(rows.implode()) if drop else ~pl.col("pull").is_in(rows.implode())
        )
        blank = pl.when(gone).then(None).otherwise(pl.col(name))
        return pulls, curves.with_columns(blank.alias(name))

    return change


def test_parts_add_up_to_the_total_on_the_log_scale_and_in_kw():
    found, _ = explained(*PAST, *STUDY)
    assert [part.name for part in found.parts] == NAMES
    logs = sum(math.log1p(part.effect_pct / 100) for part in found.parts)
    assert logs == pytest.approx(math.log1p(found.total.effect_pct / 100), abs=1e-12)
    assert sum(part.log_pct for part in found.parts) == pytest.approx(found.total.log_pct)
    assert sum(part.effect_kw for part in found.parts) == pytest.approx(found.total.effect_kw)


def test_parts_add_up_at_every_speed():
    found, _ = explained(*PAST, *STUDY)
    summed = sum(found.curve[f"{name}_log_pct"].to_numpy() for name in NAMES)
    total = 100.0 * np.log1p(found.curve["total_pct"].to_numpy() / 100.0)
    np.testing.assert_allclose(summed, total, atol=1e-10)


def test_without_noise_the_true_parts_come_back():
    found, truth = explained(*PAST, *STUDY, noise=QUIET, model=WIDE)
    assert found.identified
    estimate = [one.estimate for one in found.coefficients]
    np.testing.assert_allclose(estimate, [1.05, -0.6, -0.15], atol=0.02)
    parts = [part.log_pct for part in found.parts]
    # The causes themselves scatter from pull to pull: SD 1% over 4 pulls a side is 0.7%.
    change = [part.change_pct for part in found.parts[:3]]
    told = np.array(estimate) * 100.0 * np.log1p(np.array(change) / 100.0)
    np.testing.assert_allclose(parts[:3], told, atol=0.01)
    assert parts[3] == pytest.approx(100.0 * truth[3].mean(), abs=0.1)


def test_truth_lies_inside_most_intervals():
    inside = 0
    for seed in range(20):
        found, truth = explained(*PAST, *STUDY, seed=seed)
        for part, true in zip(found.parts, 100.0 * truth.mean(axis=1), strict=True):
            low, high = (100.0 * math.log1p(v / 100.0) for v in (part.low_pct, part.high_pct))
            inside += low <= true <= high
    # 80 intervals at 95%: fewer than 69 inside has a chance of about 1 in 1,000 (binomial).
    assert inside >= 69


def test_swapping_the_sides_flips_every_sign():
    pulls, curves, _ = sessions_of(*PAST, *STUDY)
    there, back = (
        attribute(pulls, curves, Question(engine="mill", baseline=a, candidate=b))
        for a, b in (("A", "B"), ("B", "A"))
    )
    for one, other in zip(there.parts, back.parts, strict=True):
        assert one.log_pct == pytest.approx(-other.log_pct, abs=1e-9)
    assert [c.estimate for c in there.coefficients] == pytest.approx(
        [c.estimate for c in back.coefficients]
    )


def test_part_by_speed_follows_the_change_of_its_cause():
    found, truth = explained(*PAST, *STUDY, noise=QUIET, model=WIDE)
    boost = found.curve["boost_log_pct"].to_numpy()
    assert boost[-1] > 1.5 * boost[0]  # the shift rises from 0.6 to 1.4 of its mean
    assert np.corrcoef(boost, truth[0])[0, 1] > 0.9


def test_collinear_causes_are_not_identified():
    model = CauseModel(pressure_temperature_correlation=0.995)
    found, _ = explained(*PAST, *STUDY, model=model)
    assert not found.identified
    assumed = {one.name: one for one in found.coefficients}
    assert assumed["boost"].assumed
    assert assumed["charge_temperature"].assumed
    assert assumed["boost"].inflation > 10
    assert "assumed" in " ".join(found.warnings)


def test_an_assumed_split_is_shown_over_the_range_of_its_prior():
    found, _ = explained("ABBA")
    assert not found.identified
    for one in found.coefficients:
        rows = found.sensitivity.filter(coefficient=one.name)
        assert sorted(set(rows["exponent"])) == pytest.approx(
            [one.prior_mean - 1.96 * one.prior_sd, one.prior_mean + 1.96 * one.prior_sd]
        )
    by_end = (
        found.sensitivity.filter(coefficient="boost")
        .group_by("exponent")
        .agg((pl.col("effect_pct") / 100.0).log1p().sum())
    )
    total = math.log1p(found.total.effect_pct / 100.0)
    assert by_end["effect_pct"].to_list() == pytest.approx([total, total])


def test_a_prior_never_hides_what_is_unexplained():
    found, _ = explained("ABBA", noise=QUIET, rest=0.05)
    assert parts_of(found)["unexplained"].low_pct > 2.0


@pytest.mark.parametrize(
    ("channel", "name"),
    [
        ("manifold_pressure", "boost"),
        ("charge_temperature", "charge_temperature"),
        ("lambda", "mixture"),
    ],
)
@pytest.mark.parametrize("setups", ["B", "A", "AB"])
def test_a_channel_missing_in_a_setup_is_no_part(channel, name, setups):
    found, _ = explained(*PAST, *STUDY, change=only(channel, setups))
    assert [part.name for part in found.parts] == [one for one in NAMES if one != name]
    (missing,) = found.cannot_split
    assert missing.name == name
    if setups != "AB":
        assert f"'{setups}'" in missing.why
    assert any("cannot be told apart" in text for text in found.warnings)
    logs = sum(part.log_pct for part in found.parts)
    assert logs == pytest.approx(found.total.log_pct)


def test_without_any_channel_all_is_unexplained():
    pulls, curves, _ = sessions_of(*PAST, *STUDY)
    question = Question(engine="mill", baseline="A", candidate="B")
    found = attribute(pulls, curves.select("pull", "rpm", "torque"), question)
    (part,) = found.parts
    assert part.name == "unexplained"
    assert part.effect_pct == pytest.approx(found.total.effect_pct)
    assert part.low_pct == pytest.approx(found.total.low_pct)
    assert not found.identified
    assert len(found.cannot_split) == 3


def test_a_single_pull_a_side_gives_points_without_intervals():
    found, _ = explained("AB")
    assert not found.identified
    assert [part.name for part in found.parts] == NAMES
    assert {part.low_pct for part in found.parts} == {None}
    assert found.total.low_pct is None
    assert any("Intervals are not known" in text for text in found.warnings)


def test_boost_that_never_varies_is_no_part():
    def change(pulls, curves):
        return pulls, curves.with_columns(manifold_pressure=pl.lit(170.0))

    found, _ = explained(*PAST, *STUDY, change=change)
    assert "boost" not in parts_of(found)
    assert "the same in every pull" in found.cannot_split[0].why


def test_a_channel_that_all_but_never_varies_teaches_nothing():
    """It differs in its last digits only, so its exponent rests on physics alone."""

    def change(pulls, curves):
        alike = curves.select("pull", "rpm", "torque")
        digits = 5e-4 * (pl.col("pull").str.slice(1).cast(pl.Int64) % 3)
        return pulls, alike.with_columns(charge_temperature=38.0 + digits)

    found, _ = explained(*STUDY, change=change)
    part = parts_of(found)["charge_temperature"]
    assert part.assumed
    assert part.effect_pct == pytest.approx(0.0, abs=1e-3)
    rest = parts_of(found)["unexplained"].effect_pct
    assert rest == pytest.approx(found.total.effect_pct, abs=1e-3)


def test_gauge_pressure_is_no_absolute_pressure():
    def change(pulls, curves):
        return pulls, curves.with_columns(pl.col("manifold_pressure") - 99.0 - 20.0)

    found, _ = explained(*PAST, *STUDY, change=change)
    assert "boost" not in parts_of(found)
    assert "gauge" in found.cannot_split[0].why


def test_a_stuck_sensor_in_one_pull_leaves_that_pull_out():
    def change(pulls, curves):
        stuck = pl.when(pl.col("pull") == pulls["pull"][-1]).then(40.0)
        return pulls, curves.with_columns(charge_temperature=stuck.otherwise("charge_temperature"))

    found, _ = explained(*PAST, *STUDY, change=change)
    assert found.pulls == {"baseline": 3, "candidate": 4}
    assert any("left out of the split" in text for text in found.warnings)


def test_lambda_a_cylinder_stands_in_for_lambda():
    def change(pulls, curves):
        split = curves.with_columns(
            lambda_1=pl.col("lambda") * 0.98, lambda_2=pl.col("lambda") * 1.02
        )
        return pulls, split.drop("lambda")

    whole, _ = explained(*PAST, *STUDY)
    split, _ = explained(*PAST, *STUDY, change=change)
    assert parts_of(split)["mixture"].log_pct == pytest.approx(
        parts_of(whole)["mixture"].log_pct, abs=1e-9
    )


def test_other_units_of_pressure_change_nothing():
    def change(pulls, curves):
        return pulls, curves.with_columns(pl.col("manifold_pressure") * 1.01)

    one, _ = explained(*PAST, *STUDY)
    other, _ = explained(*PAST, *STUDY, change=change)
    for left, right in zip(one.parts, other.parts, strict=True):
        assert left.log_pct == pytest.approx(right.log_pct, abs=1e-9)


def test_the_answer_is_json():
    found, _ = explained(*PAST, *STUDY)
    told = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert set(told) >= {"total_pct", "parts", "coefficients", "identified", "warnings"}
    assert set(told["parts"][0]) >= {"name", "effect_pct", "low_pct", "high_pct"}
    assert set(told["coefficients"][0]) >= {"name", "estimate", "low", "high"}


def test_true_shifts_are_the_ones_simulated():
    _, _, truth = sessions_of("AB")
    assert truth[:, 0] == pytest.approx(
        [1.05 * SHIFTS[0] * 0.6, -0.6 * SHIFTS[1] * 0.6, -0.15 * SHIFTS[2] * 0.6, REST]
    )
