"""How often a planned study finds the effect it was planned for.

    OPENBLAS_NUM_THREADS=1 nice -n 10 .venv/bin/python tests/calibration/plan_power.py \
        --studies 500 --out reports

Writes plan.csv and plan.md. In each study the noise is learned from that study's own past, the
effect that the plan says is seen with 80% is put in, and the study is judged as `compare` judges
it. About two minutes of one core.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

for threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(threads, "1")
sys.path.insert(0, str(Path(__file__).parent))

import numpy as np  # noqa: E402 - after the number of threads is set
import polars as pl  # noqa: E402
from cells import PAST  # noqa: E402
from looks import ALPHA, DRAWS, QUESTION, RPM, exact_interval  # noqa: E402

from dynostats.analysis.conclude import conclude  # noqa: E402
from dynostats.analysis.curve_set import CurveSet  # noqa: E402
from dynostats.analysis.effect import MEANS_SHARE, Effect, estimate_effect  # noqa: E402
from dynostats.analysis.planning.cell import CellNoise, assume_noise, learn_cell_noise  # noqa: E402
from dynostats.analysis.planning.design import measure_precision  # noqa: E402
from dynostats.simulate import (  # noqa: E402
    CurveNoise,
    NoiseShape,
    lay_out,
    shape_noise,
    simulate_curves,
)
from dynostats.simulate.noise import mixing_matrix, speed_profile  # noqa: E402

POWER = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """Run order, past pulls, and the kind of noise."""

    run: str
    past: int
    shape: NoiseShape

    @property
    def name(self) -> str:
        """Return the scene in a word."""
        return f"{self.run}, {self.past} past pulls, {self.shape}"


SCENES = (
    Scene(run="ABBA", past=30, shape="smooth"),
    Scene(run="ABBAABBA", past=30, shape="smooth"),
    Scene(run="ABBA", past=100, shape="rough"),
    Scene(run="ABBAABBA", past=8, shape="smooth"),
    Scene(run="ABBAABBA", past=0, shape="smooth"),
    Scene(run="AABB", past=30, shape="smooth"),
)


def simulate(scene: Scene, studies: int) -> Iterator[tuple[float, Effect]]:
    """Yield what a plan promises to see, percent, and the study that is then run, without it."""
    past = PAST[scene.past]
    layout = lay_out(*(order for _, order in past), scene.run)
    engines = [*(name for name, _ in past), "S"]
    noise = shape_noise(scene.shape)
    rng = np.random.default_rng([len(scene.run), scene.past])
    labels = {
        "pull": [f"P{at}" for at in range(len(layout.setup))],
        "engine": [engines[at] for at in layout.session],
        "session": [f"s{at}" for at in layout.session],
        "setup": ["ABCD"[at] for at in layout.setup],
    }
    order = layout.order.astype(float)
    before = len(order) - len(scene.run)
    for number in range(studies):
        curves = simulate_curves(layout, RPM, noise, studies=1, rng=rng)[0] + np.log(400.0)
        whole = CurveSet(rpm=RPM, log_torque=curves, order=order, **labels)
        learned = _noise(whole.take(np.arange(before)), noise)
        precision = measure_precision([tuple(scene.run)], learned)
        study = whole.take(np.arange(before, len(order)))
        effect = estimate_effect(
            whole, study, baseline="A", candidate="B", alpha=ALPHA, draws=DRAWS, seed=number
        )
        yield precision.detectable_pct(alpha=MEANS_SHARE * ALPHA, power=POWER), effect


def _noise(past: CurveSet, truth: CurveNoise) -> CellNoise:
    """Return the noise of the past; without one an assumption that happens to be true."""
    if len(past):
        return learn_cell_noise(past, "S")
    curve = mixing_matrix(truth, RPM) * speed_profile(truth, RPM) * truth.pull_sd_pct / 100.0
    variance = float((curve.mean(axis=1) ** 2).sum())
    return replace(assume_noise(), pull=variance)


def found(promised_pct: float, effect: Effect) -> bool:
    """Tell whether a study finds the effect that was promised to be seen."""
    shift = np.log1p(promised_pct / 100.0)
    moved = replace(effect, curve=effect.curve + shift, means=effect.means + shift)
    return conclude(moved, QUESTION, mean_kw=100.0).verdict == "gain"


def row_of(scene: Scene, studies: int) -> dict[str, object]:
    """Return how often the promise was kept."""
    promised, kept = [], 0
    for promise, effect in simulate(scene, studies):
        promised.append(promise)
        kept += found(promise, effect)
    low, high = exact_interval(kept, studies)
    return {
        "scene": scene.name,
        "studies": studies,
        "median_promise_pct": float(np.median(promised)),
        "lowest_promise_pct": min(promised),
        "highest_promise_pct": max(promised),
        "found": kept / studies,
        "low": low,
        "high": high,
    }


INTRODUCTION = """# Planned studies that find what they were planned for

{studies} simulated studies a scene: the plan learns the noise from that study's own past and names
the smallest effect seen with {power:.0%} (`plan`); that effect is put in; found is the verdict
'gain' of `compare`. More than {power:.0%} is to be expected: the curve can show a gain where the
mean does not. Without a past the plan's assumed noise is the true one. Intervals are exact, 95%.

Made by `OPENBLAS_NUM_THREADS=1 nice -n 10 .venv/bin/python tests/calibration/plan_power.py
--studies {studies} --out reports`.

| run order, past, noise | effect promised: median (lowest to highest) | found |
| --- | ---: | ---: |
"""


def page_of(table: pl.DataFrame, studies: int) -> str:
    """Return the table to read."""
    text = INTRODUCTION.format(studies=studies, power=POWER)
    for row in table.iter_rows(named=True):
        text += (
            f"| {row['scene']} | {row['median_promise_pct']:.2f}% ({row['lowest_promise_pct']:.2f} "
            f"to {row['highest_promise_pct']:.2f}%) | {row['found']:.1%} ({row['low']:.1%} to "
            f"{row['high']:.1%}) |\n"
        )
    return text


def main() -> None:
    """Judge every scene and write the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=500, help="simulated studies a scene")
    parser.add_argument("--out", type=Path, default=Path("reports"), help="folder of the tables")
    asked = parser.parse_args()
    rows = []
    for scene in SCENES:
        rows.append(row_of(scene, asked.studies))
        sys.stderr.write(f"{scene.name}: done\n")
    table = pl.DataFrame(rows)
    asked.out.mkdir(parents=True, exist_ok=True)
    table.write_csv(asked.out / "plan.csv", float_precision=5)
    (asked.out / "plan.md").write_text(page_of(table, asked.studies), encoding="utf-8")


if __name__ == "__main__":
    main()
