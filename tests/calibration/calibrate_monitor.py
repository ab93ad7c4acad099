"""How often a steady cell is said to have changed, and how often a step is found.

    nice -n 10 python tests/calibration/calibrate_monitor.py --histories 1000

Histories of session means are drawn anew each time; the functions judged are those of
`dynostats monitor`.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from scipy.stats import beta

from dynostats.analysis.monitor.changes import find_changes
from dynostats.analysis.monitor.control import chart_ewma, chart_individuals, within_limits

ALPHA = 0.05
ANY = "any of them but the moving range"
Draw = Callable[[int, np.random.Generator], np.ndarray]


def normal(count: int, rng: np.random.Generator) -> np.ndarray:
    """Draw independent normal session means."""
    return rng.standard_normal(count)


def heavy(count: int, rng: np.random.Generator) -> np.ndarray:
    """Draw session means with heavy tails: Student's t with 3 df."""
    return rng.standard_t(3, count)


def uneven(count: int, rng: np.random.Generator) -> np.ndarray:
    """Draw means of 1 pull in the first half and of 4 in the second, days as noisy as pulls."""
    pulls = np.where(np.arange(count) < count // 2, 1.0, 4.0)
    return rng.standard_normal(count) * np.sqrt(1.0 + 1.0 / pulls)


def following(correlation: float) -> Draw:
    """Return a drawer of session means that follow one another (first-order autoregression)."""

    def draw(count: int, rng: np.random.Generator) -> np.ndarray:
        values = rng.standard_normal(count)
        for at in range(1, count):
            own = np.sqrt(1.0 - correlation**2) * values[at]
            values[at] = correlation * values[at - 1] + own
        return values

    return draw


DRAWS: dict[str, Draw] = {
    "normal": normal,
    "heavy tails (t, 3 df)": heavy,
    "1 pull a session, later 4": uneven,
    "each follows the last (correlation 0.3)": following(0.3),
    "each follows the last (correlation 0.6)": following(0.6),
}


def share(hits: int, total: int) -> str:
    """Return a share with its exact 95% interval."""
    low = 0.0 if hits == 0 else float(beta.ppf(0.025, hits, total - hits + 1))
    high = 1.0 if hits == total else float(beta.ppf(0.975, hits + 1, total - hits))
    return f"{hits / total:.1%} ({low:.1%} to {high:.1%})"


def false_changes(histories: int) -> list[str]:
    """Return a table of changes found where there are none."""
    counts = (8, 12, 20, 40)
    lines = [f"| session means | {' | '.join(f'{n} sessions' for n in counts)} |"]
    lines.append("| --- |" + " --- |" * len(counts))
    for name, draw in DRAWS.items():
        cells = []
        for count in counts:
            rng = np.random.default_rng([1, count])
            hits = sum(bool(find_changes(draw(count, rng), alpha=ALPHA)) for _ in range(histories))
            cells.append(share(hits, histories))
        lines.append(f"| {name} | {' | '.join(cells)} |")
    return lines


def false_signals(histories: int) -> list[str]:
    """Return a table of steady histories with a session beyond the limits of its own chart."""
    counts = (8, 12, 20, 40)
    lines = [f"| chart | {' | '.join(f'{n} sessions' for n in counts)} |"]
    lines.append("| --- |" + " --- |" * len(counts))
    names = ("individuals", "moving range", "EWMA", "within the session", ANY)
    hits = {name: dict.fromkeys(counts, 0) for name in names}
    for count in counts:
        rng = np.random.default_rng([2, count])
        for _ in range(10 * histories):
            values = rng.standard_normal(count)
            chart = chart_individuals(values)
            running = chart_ewma(values, target=chart.centre, sigma=chart.sigma)
            within = rng.chisquare(1, count)  # squares within sessions of two pulls
            limit = within_limits(float(np.sqrt(within.mean())), np.ones(count))[1]
            found = {
                "individuals": ((values > chart.high) | (values < chart.low)).any(),
                "moving range": (chart.ranges[1:] > chart.range_high).any(),
                "EWMA": running.outside.any(),
                "within the session": (np.sqrt(within) > limit).any(),
            }
            found[ANY] = any(hit for name, hit in found.items() if name != "moving range")
            for name, hit in found.items():
                hits[name][count] += bool(hit)
    for name, found in hits.items():
        cells = " | ".join(share(found[count], 10 * histories) for count in counts)
        lines.append(f"| {name} | {cells} |")
    return lines


def later_alarms(histories: int) -> list[str]:
    """Return a table of false alarms in 20 later sessions, by how many the limits rest on."""
    baselines = (4, 8, 12, 20, 40, 100)
    lines = [f"| chart | {' | '.join(f'from {n}' for n in baselines)} |"]
    lines.append("| --- |" + " --- |" * len(baselines))
    hits = {name: dict.fromkeys(baselines, 0) for name in ("individuals", "EWMA")}
    for count in baselines:
        rng = np.random.default_rng([3, count])
        for _ in range(10 * histories):
            chart = chart_individuals(rng.standard_normal(count))
            later = rng.standard_normal(20)
            running = chart_ewma(later, target=chart.centre, sigma=chart.sigma)
            hits["individuals"][count] += bool(((later > chart.high) | (later < chart.low)).any())
            hits["EWMA"][count] += bool(running.outside.any())
    for name, found in hits.items():
        cells = " | ".join(share(found[count], 10 * histories) for count in baselines)
        lines.append(f"| {name} | {cells} |")
    return lines


def steps_found(histories: int) -> list[str]:
    """Return a table of steps found, and found within one session of their place."""
    sizes = (1.0, 1.5, 2.0, 3.0)
    lines = [f"| history | {' | '.join(f'step of {size:g} SDs' for size in sizes)} |"]
    lines.append("| --- |" + " --- |" * len(sizes))
    for count, place in ((8, 4), (12, 6), (20, 10), (20, 16), (40, 20), (40, 35)):
        cells = []
        for size in sizes:
            rng = np.random.default_rng([4, count, place])
            found = near = 0
            for _ in range(histories):
                values = rng.standard_normal(count)
                values[place:] += size
                places = [one.place for one in find_changes(values, alpha=ALPHA)]
                found += bool(places)
                near += any(abs(one - place) <= 1 for one in places)
            cells.append(f"{found / histories:.0%} ({near / histories:.0%})")
        lines.append(f"| {count} sessions, step after {place} | {' | '.join(cells)} |")
    return lines


TEXT = """# Monitoring the cell: false alarms, and steps found

What `dynostats monitor` does on simulated histories of session means. Made by

    nice -n 10 .venv/bin/python tests/calibration/calibrate_monitor.py --histories {histories}

## Changes found where there are none

One channel at alpha 5%; {histories} histories a cell, with exact 95% intervals. Reordering keeps
the chance for any distribution of independent sessions; it does not where sessions follow one
another, and a warning says so when their lag-1 correlation is beyond two standard errors.

{changes}

## Steady histories with a session beyond the limits of their own chart

Independent normal values, {signals} histories a cell. A range alone is marked on its chart, but is
no signal.

{own}

## False alarms in the 20 sessions after limits were set

Limits from so many steady sessions, {signals} histories a cell. With the true mean and SD it would
be 5.3% for the individuals chart. This is why fewer than about 20 sessions bring a warning.

{later}

## Steps found

Share of histories in which a change is found (in brackets: within one session of its true place);
the step in SDs of a session mean; {histories} histories a cell, alpha 5%.

{steps}
"""


def main() -> None:
    """Judge everything, then write the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--histories", type=int, default=1000, help="histories a cell")
    parser.add_argument("--out", type=Path, default=Path("reports"), help="folder of the tables")
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    page = TEXT.format(
        histories=asked.histories,
        signals=10 * asked.histories,
        changes="\n".join(false_changes(asked.histories)),
        own="\n".join(false_signals(asked.histories)),
        later="\n".join(later_alarms(asked.histories)),
        steps="\n".join(steps_found(asked.histories)),
    )
    (asked.out / "monitor.md").write_text(page, encoding="utf-8")


if __name__ == "__main__":
    main()
