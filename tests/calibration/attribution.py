"""How often the interval of each part of a split holds the truth, and 'assumed' is said.

    .venv/bin/python tests/calibration/attribution.py --studies 1000 --out reports

Writes attribution.md and attribution.csv. Every study goes through the whole of `attribute`, from
curves and channels on; only the draws behind the whole difference's own bounds, on which no part
rests, are fewer. About 12 minutes of one core for 1,000 studies a scenario. It goes round the
scenarios, 50 studies of each at a time, and writes the tables after each round; --state keeps what
is done, so that it can be stopped and started again.
"""

from __future__ import annotations

import argparse
import os
import pickle
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

for threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "POLARS_MAX_THREADS"):
    os.environ.setdefault(threads, "1")  # one process a core instead
sys.path.insert(0, str(Path(__file__).parent))

import numpy as np  # noqa: E402 - after the number of threads is set
import polars as pl  # noqa: E402
from attribution_shops import PARTS, SCENARIOS, Graded, Scenario, grade  # noqa: E402
from scipy.stats import beta  # noqa: E402

from dynostats.analysis import effect  # noqa: E402

WORDS = {
    "boost": "boost",
    "charge_temperature": "charge temperature",
    "mixture": "mixture",
    "unexplained": "unexplained",
}
INTRODUCTION = (
    "{studies} simulated studies a scenario, each through the whole of `attribute`. Coverage: how "
    "often the 95% interval of a part's band mean holds the true part, with its exact 95% "
    "interval; at each speed: mean share of speeds at which it does. Wide: mean half-width, "
    "percent of torque. Off: mean error, likewise. Identified: how often the answer says that the "
    "pulls alone identify every exponent. In the first scenarios torque follows its causes by "
    "known exponents (dynostats/simulate/causes.py), 'drawn' ones anew in each study from the "
    "stated priors; a true part is the exponent times what the setup itself moves its cause, not "
    "what these pulls happened to scatter. In those named engine the mean-value engine runs, and "
    "the truth is Shapley's split of it."
)


ROUND = 50


def main() -> None:
    """Grade every scenario, round by round, and write the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=1000)
    parser.add_argument("--out", type=Path, default=Path("reports"))
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--state", type=Path, help="file that keeps what is done")
    parser.add_argument("--only", nargs="*", default=[], help="names of scenarios")
    asked = parser.parse_args()
    wanted = [one for one in SCENARIOS if not asked.only or one.name in asked.only]
    asked.out.mkdir(parents=True, exist_ok=True)
    done = _read(asked.state)
    with ProcessPoolExecutor(asked.workers, initializer=_quicken) as pool:
        for first in range(0, asked.studies, ROUND):
            seeds = range(first, min(first + ROUND, asked.studies))
            for scenario in wanted:
                graded = done.setdefault(scenario.name, [])
                left = [seed for seed in seeds if seed >= len(graded)]
                graded += pool.map(partial(grade, scenario), left, chunksize=10)
                _keep(done, asked.state)
            _write(wanted, done, asked.out)
            sys.stderr.write(f"{seeds.stop} studies of each, {time.monotonic() - BEGIN:.0f} s\n")


BEGIN = time.monotonic()


def _quicken() -> None:
    """Draw fewer studies behind the bounds of the whole difference; no part rests on them."""
    effect.estimate_effects.__kwdefaults__["draws"] = 400


def _read(state: Path | None) -> dict[str, list[Graded]]:
    # Our own file of a moment ago, not a stranger's.
    return pickle.loads(state.read_bytes()) if state and state.exists() else {}  # noqa: S301


def _keep(done: dict[str, list[Graded]], state: Path | None) -> None:
    if state:
        state.write_bytes(pickle.dumps(done))


def _write(wanted: Sequence[Scenario], done: dict[str, list[Graded]], out: Path) -> None:
    rows = [row for scenario in wanted for row in rows_of(scenario, done[scenario.name])]
    frame = pl.DataFrame(rows)
    frame.write_csv(out / "attribution.csv", float_precision=4)
    (out / "attribution.md").write_text(to_markdown(frame), "utf-8")


def rows_of(scenario: Scenario, graded: Sequence[Graded]) -> list[dict[str, object]]:
    """Return one row a part."""
    inside = np.array([one.inside for one in graded])
    identified = float(np.mean([one.identified for one in graded]))
    return [
        {
            "scenario": scenario.name,
            "what": scenario.words,
            "part": part,
            "coverage": float(inside[:, at].mean()),
            "low": exact_interval(int(inside[:, at].sum()), len(graded))[0],
            "high": exact_interval(int(inside[:, at].sum()), len(graded))[1],
            "by_speed": float(np.mean([one.by_speed[at] for one in graded])),
            "half_width_pct": float(np.mean([one.half[at] for one in graded])),
            "off_pct": float(np.mean([one.off[at] for one in graded])),
            "identified": identified,
            "studies": len(graded),
        }
        for at, part in enumerate(PARTS)
    ]


def exact_interval(count: int, of: int) -> tuple[float, float]:
    """Return the 95% interval of a share. Source: Clopper & Pearson (1934), Biometrika 26:404."""
    low = 0.0 if count == 0 else float(beta.ppf(0.025, count, of - count + 1))
    high = 1.0 if count == of else float(beta.ppf(0.975, count + 1, of - count))
    return low, high


def to_markdown(frame: pl.DataFrame) -> str:
    """Return the table of all scenarios."""
    lines = [
        "# Parts of a difference: coverage of their intervals",
        "",
        INTRODUCTION.format(studies=f"{frame['studies'].min():,}"),
        "",
        "| scenario | part | coverage | at each speed | wide | off | identified |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in frame.iter_rows(named=True):
        first = row["part"] == PARTS[0]
        lines.append(
            f"| {row['scenario'] + ': ' + row['what'] if first else ''} | {WORDS[row['part']]} | "
            f"{row['coverage']:.1%} ({row['low']:.1%} to {row['high']:.1%}) | "
            f"{row['by_speed']:.1%} | {row['half_width_pct']:.2f} | {row['off_pct']:+.3f} | "
            f"{format(row['identified'], '.1%') if first else ''} |"
        )
    lines += ["", "Made by `tests/calibration/attribution.py`; its head says how.", ""]
    return "\n".join(lines)


if __name__ == "__main__":
    main()
