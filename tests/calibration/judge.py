"""Simulated studies of a scenario, judged by dynostats as the product judges, and by the rivals."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from cells import Cell, layout_of
from rivals import judge_rivals

from dynostats.analysis.conclude import Conclusion, conclude
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.effect import Effect, _functionals, estimate_effect
from dynostats.analysis.question import Question
from dynostats.simulate import shape_noise, simulate_curves

RPM = np.arange(2000.0, 6451.0, 50.0)
MARGIN_PCT = 0.5
DRAWS = 2000
QUESTION = Question(engine="S", baseline="A", candidate="B", margin_pct=MARGIN_PCT)
# Engines drift by a tenth of a percent a pull in the drifting scenarios, and differ in it.
DRIFT_PCT = -0.1
FLAT_PCT = (0.5, 1.0, 1.5, 2.0, 4.0)
# None at the low end, 2% at the high end, a smooth step between.
_STEP = np.clip((RPM - 3500.0) / 1500.0, 0.0, 1.0)
SHAPED_PCT = 2.0 * _STEP**2 * (3.0 - 2.0 * _STEP)
EFFECTS = {
    "0": np.zeros(len(RPM)),
    **{f"{size:g}": np.full(len(RPM), size) for size in FLAT_PCT},
    "shaped": SHAPED_PCT,
}
BASELINE = np.log(420.0) - 0.5 * ((RPM - 4200.0) / 3500.0) ** 2
Event = tuple[str, str]


def judge(cell: Cell, studies: int, *, rivals: bool = True, draws: int = DRAWS) -> Counter[Event]:
    """Simulate studies without effect, judge them, and judge them again with effects added.

    An effect shifts the curves of B and leaves every contrast of the noise as it is, so each study
    serves for every effect (`test_an_effect_only_shifts_the_answer` holds it to that).

    Returns:
        How often each event happened, by method and event.
    """
    counts: Counter[Event] = Counter()
    for number, (everything, study) in enumerate(simulate(cell, studies)):
        # A seed a study: one seed for all would give all the same luck of the draws.
        counts.update(judge_one(everything, study, draws=draws, seed=number))
        if rivals:
            after = np.array([name == "B" for name in study.setup])
            counts.update(
                judge_rivals(
                    study.log_torque[~after],
                    study.log_torque[after],
                    EFFECTS,
                    paired=cell.design == "alternating",
                )
            )
    return counts


def simulate(cell: Cell, studies: int) -> Iterator[tuple[CurveSet, CurveSet]]:
    """Yield studies of a scenario: all pulls with the past, and the study's own."""
    rng = np.random.default_rng(cell.seed)
    layout, engine = layout_of(cell)
    drift = DRIFT_PCT if cell.shape == "drifting" else 0.0
    noise = shape_noise(cell.shape, drift_pct_per_pull=drift)
    labels = {
        "pull": [f"P{at}" for at in range(len(engine))],
        "engine": engine,
        "session": [f"s{at}" for at in layout.session],
        "setup": ["ABCD"[at] for at in layout.setup],
    }
    order = layout.order.astype(float)
    own = np.isin(labels["setup"], ["A", "B"])
    for _ in range(studies):
        curves = simulate_curves(layout, RPM, noise, studies=1, rng=rng)[0] + BASELINE
        everything = CurveSet(rpm=RPM, log_torque=curves, order=order, **labels)
        yield everything, everything.take(own)


def judge_one(
    everything: CurveSet, study: CurveSet, *, draws: int = DRAWS, seed: int
) -> Iterator[Event]:
    """Yield the events of one study without effect, and of the same with each effect."""
    effect = estimate_effect(
        everything,
        study,
        baseline="A",
        candidate="B",
        alpha=QUESTION.alpha,
        draws=draws,
        seed=seed,
    )
    yield "dynostats", "no interval" if effect.lacking else "interval"
    if not effect.lacking and not covers(effect):
        yield "dynostats", "not covered"
    for name, truth in EFFECTS.items():
        found = conclude(shifted(effect, study, truth), QUESTION, mean_kw=100.0)
        if found.verdict == "gain":
            yield "dynostats", f"gain {name}"
        if claims_falsely(found, truth):
            yield "dynostats", f"false claim {name}"
        if calls_alike_falsely(found, truth):
            yield "dynostats", f"false no change {name}"


def shifted(effect: Effect, study: CurveSet, truth_pct) -> Effect:
    """Return the effect that the same noise would have given with a true effect."""
    shift = np.log1p(truth_pct / 100.0)
    means = effect.means + _functionals(study, "A") @ shift
    return replace(effect, curve=effect.curve + shift, means=means)


def covers(effect: Effect) -> bool:
    """Tell whether the band and the bounds of both means hold no effect, which is the truth."""
    curve = np.abs(effect.curve) <= effect.curve_factor * effect.spread.curve
    means = np.abs(effect.means) <= effect.means_factor * effect.spread.means
    return bool(curve.all() and means.all())


def claims_falsely(found: Conclusion, truth_pct) -> bool:
    """Tell whether a gain or loss is claimed, of the band or a region, that is not there."""
    gain, loss = "gain", "loss"
    said = found.verdict
    if said in {gain, "mixed"} and not (truth_pct > 0).any():
        return True
    if said in {loss, "mixed"} and not (truth_pct < 0).any():
        return True
    for region in found.regions:
        true = truth_pct[inside(region)]
        if region.verdict == gain and (true <= 0).any():
            return True
        if region.verdict == loss and (true >= 0).any():
            return True
    return False


def calls_alike_falsely(found: Conclusion, truth_pct) -> bool:
    """Tell whether a region or the band is called alike where the effect reaches the margin."""
    matters = np.abs(truth_pct) >= MARGIN_PCT - 1e-9
    if found.verdict == "no_meaningful_change" and matters.any():
        return True
    return any(
        matters[inside(region)].any()
        for region in found.regions
        if region.verdict == "no_meaningful_change"
    )


def inside(region):
    """Flag the speeds of a region."""
    return (region.from_rpm <= RPM) & (region.to_rpm >= RPM)
