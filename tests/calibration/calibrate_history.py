"""How often the synthesis of past studies is wrong, on histories of known effects.

    nice -n 10 python tests/calibration/calibrate_history.py --histories 1000 --out reports

Effects and their estimates are drawn; what is judged is `tell_history`, from the estimates on. That
one study's interval holds is the subject of calibration.md.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from calibrate_monitor import share
from scipy.stats import t as student_t

from dynostats.analysis.synthesis import (
    PastStudy,
    StudyEffect,
    predict_next,
    synthesise,
    tell_history,
)

ALPHA = 0.05
# Degrees of freedom behind a study's standard error: a cell with some twenty repeats on file.
DF = 20
MEAN = 0.01
Truth = Callable[[int, np.random.Generator], np.ndarray]


def normal(count: int, rng: np.random.Generator) -> np.ndarray:
    """Draw standardised true effects: normal."""
    return rng.standard_normal(count)


def heavy(count: int, rng: np.random.Generator) -> np.ndarray:
    """Draw standardised true effects with heavy tails: Student's t with 3 df, SD 1."""
    return rng.standard_t(3, count) / np.sqrt(3.0)


def mostly_nothing(count: int, rng: np.random.Generator) -> np.ndarray:
    """Draw standardised true effects of which four in five are zero, SD 1."""
    return np.where(rng.random(count) < 0.8, 0.0, rng.standard_normal(count) * np.sqrt(5.0))


TRUTHS: dict[str, Truth] = {
    "normal": normal,
    "heavy tails (t, 3 df)": heavy,
    "four in five are zero": mostly_nothing,
}


@dataclass(frozen=True, kw_only=True)
class Estimates:
    """Estimates of some true effects, log units; each of shape (studies,)."""

    effects: np.ndarray
    errors: np.ndarray


def estimate(
    truth: np.ndarray, rng: np.random.Generator, *, error: float, shared: float = 0.0
) -> Estimates:
    """Estimate true effects with errors known from few degrees of freedom.

    Args:
        truth: True effects.
        rng: Source of randomness.
        error: Typical standard error; half to twice as large by study.
        shared: Correlation of the errors within runs of three studies, which share a baseline.
    """
    count = len(truth)
    sizes = error * 2.0 ** rng.uniform(-1.0, 1.0, count)
    if shared:
        sizes = np.repeat(sizes[::3], 3)[:count]
    common = np.repeat(rng.standard_normal(-(-count // 3)), 3)[:count]
    drawn = np.sqrt(1.0 - shared) * rng.standard_normal(count) + np.sqrt(shared) * common
    return Estimates(
        effects=truth + sizes * drawn,
        errors=sizes * np.sqrt(rng.chisquare(DF, count) / DF),
    )


def cover_next(
    engines: int, spread: float, draw: Truth, rng: np.random.Generator, histories: int
) -> tuple[int, int, int]:
    """Count how often the mean, and the next engine's effect, lie within their bounds.

    Returns:
        Histories with the mean within its bounds; with the next engine's effect within those shown;
        within those of the usual formula.
    """
    mean = following = usual = 0
    for _ in range(histories):
        truth = MEAN + spread * draw(engines + 1, rng)
        seen = estimate(truth[:-1], rng, error=0.004)
        found = synthesise(seen.effects, np.diag(seen.errors**2), alpha=ALPHA)
        mean += bool(found.low[0] <= MEAN <= found.high[0])
        low, high = predict_next(seen.effects, np.diag(seen.errors**2), alpha=ALPHA)
        following += bool(low <= truth[-1] <= high)
        low, high = found.prediction or (0.0, 0.0)
        usual += bool(low <= truth[-1] <= high)
    return mean, following, usual


@dataclass(frozen=True, kw_only=True)
class Judged:
    """One history judged.

    Args:
        false_share: Share of false ones among what was found; 0 where nothing was.
        found: Share of the true effects that are not zero that were found.
        bias_raw: Of the largest estimate, percent.
        bias_left: Of what is left of it beside its fellows.
        covered_raw: Whether its own interval holds its true effect.
        covered_left: Whether the interval beside its fellows does.
        covered_all: Share of all true effects within the intervals beside their fellows.
    """

    false_share: float
    found: float
    bias_raw: float
    bias_left: float
    covered_raw: bool
    covered_left: bool
    covered_all: float


def judge(truth: np.ndarray, rng: np.random.Generator, *, shared: float) -> Judged:
    """Judge one history of studies of one kind."""
    seen = estimate(truth, rng, error=0.006, shared=shared)
    table = tell_history([_study(at, seen, shared=shared) for at in range(len(truth))]).studies
    actual = {f"e{at}": 100.0 * np.expm1(value) for at, value in enumerate(truth.tolist())}
    true = np.array([actual[name] for name in table["candidate"]])
    found = table["found"].to_numpy()
    low, high = (table[f"shrunken_{side}_pct"].to_numpy() for side in ("low", "high"))
    top = int(table["effect_pct"].arg_max() or 0)
    return Judged(
        false_share=float((found & (true == 0.0)).sum() / max(found.sum(), 1)),
        found=float((found & (true != 0.0)).sum() / max((true != 0.0).sum(), 1)),
        bias_raw=float(table["effect_pct"][top] - true[top]),
        bias_left=float(table["shrunken_pct"][top] - true[top]),
        covered_raw=bool(table["low_pct"][top] <= true[top] <= table["high_pct"][top]),
        covered_left=bool(low[top] <= true[top] <= high[top]),
        covered_all=float(np.mean((low <= true) & (true <= high))),
    )


def _study(at: int, seen: Estimates, *, shared: float) -> StudyEffect:
    effect, error = float(seen.effects[at]), float(seen.errors[at])
    group = at // 3 if shared else at
    return StudyEffect(
        study=PastStudy(
            engine=f"engine {group}", baseline="stock", candidate=f"e{at}", kind="tried"
        ),
        effect=effect,
        error=error,
        reach=float(student_t.isf(ALPHA / 2.0, DF)),
        p_value=2.0 * float(student_t.sf(abs(effect / error), DF)),
        verdict="undecided",
        lacking="",
        band=(2500.0, 6500.0),
        baseline_pulls=2,
        candidate_pulls=2,
        design="same_session",
        weights={f"base {group}": -1.0, f"cand {at}": 1.0},
        moderators={},
    )


def _row(*cells: str) -> str:
    return f"| {' | '.join(cells)} |"


def next_table(histories: int, seed: int) -> list[str]:
    """Return the table of coverage of mean and next engine."""
    rng = np.random.default_rng(seed)
    lines = [
        _row(
            "true effects",
            "SD between engines",
            "engines",
            "mean within its bounds",
            "next engine within its bounds",
            "within those of the usual formula",
        ),
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for name, draw in TRUTHS.items():
        for spread in (0.0, 0.005, 0.015) if draw is normal else (0.015,):
            for engines in (3, 5, 10, 20):
                mean, following, usual = cover_next(engines, spread, draw, rng, histories)
                lines.append(
                    f"| {name} | {100 * spread:.1f}% | {engines} | {share(mean, histories)} | "
                    f"{share(following, histories)} | {share(usual, histories)} |"
                )
    return lines


def best_table(histories: int, seed: int) -> list[str]:
    """Return the table of false findings and of the best study."""
    rng = np.random.default_rng(seed)
    lines = [
        _row(
            "true effects",
            "studies",
            "errors",
            "false among the found",
            "true ones found",
            "largest: too large by, itself",
            "largest: too large by, beside its fellows",
            "largest within its own bounds",
            "largest within the bounds beside its fellows",
            "all within those bounds",
        ),
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    cases = [(name, studies, 0.0) for name in TRUTHS for studies in (6, 30)]
    cases += [("all are zero", 30, 0.0), ("four in five are zero", 30, 0.5), ("normal", 30, 0.5)]
    for name, studies, shared in cases:
        judged = [
            judge(
                np.zeros(studies) if name == "all are zero" else 0.01 * TRUTHS[name](studies, rng),
                rng,
                shared=shared,
            )
            for _ in range(histories)
        ]
        lines.append(_best_row(name, studies, shared, judged))
    return lines


def _best_row(name: str, studies: int, shared: float, judged: list[Judged]) -> str:
    count = len(judged)
    false = np.array([one.false_share for one in judged])
    some_true = name != "all are zero"
    return (
        f"| {name} | {studies} | {'three share a baseline' if shared else 'apart'} | "
        f"{100 * false.mean():.1f}% (standard error {100 * false.std() / np.sqrt(count):.1f}) | "
        f"{f'{100 * np.mean([one.found for one in judged]):.0f}%' if some_true else ''} | "
        f"{np.mean([one.bias_raw for one in judged]):+.2f}% | "
        f"{np.mean([one.bias_left for one in judged]):+.2f}% | "
        f"{share(sum(one.covered_raw for one in judged), count)} | "
        f"{share(sum(one.covered_left for one in judged), count)} | "
        f"{100 * np.mean([one.covered_all for one in judged]):.1f}% |"
    )


def as_markdown(histories: int) -> str:
    """Return the report."""
    command = (
        "    nice -n 10 .venv/bin/python tests/calibration/calibrate_history.py "
        f"--histories {histories} --out reports"
    )
    scope = (
        "Every study's standard error (0.2 to 0.8% in the first table, 0.3 to 1.2% in the second) "
        f"is itself estimated, from {DF} degrees of freedom. {histories} histories a row, exact "
        "95% intervals in brackets; bounds are at 95%, the rate of false findings at 5%."
    )
    largest = (
        "True effects have an SD of 1%. The largest is the study with the largest estimate of its "
        "history: its own interval was never made for a study picked out like that."
    )
    return "\n".join(
        [
            "# Past studies together: what is covered, and what is false",
            "",
            "What `dynostats history` does with simulated studies of known true effects. Made by",
            "",
            command,
            "",
            scope,
            "",
            "## The mean of a kind, and the next engine",
            "",
            *next_table(histories, 1),
            "",
            "## What is found, and the largest estimate",
            "",
            largest,
            "",
            *best_table(histories, 2),
            "",
        ]
    )


def main() -> None:
    """Print the report, or write it."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--histories", type=int, default=200)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    text = as_markdown(given.histories)
    if given.out is None:
        print(text)  # noqa: T201
    else:
        (given.out / "history.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
