"""The detection and false-alarm rates as numbers, a page to read, and a chart."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import altair as alt
import numpy as np
import polars as pl
import vl_convert as vlc
from acceptance_faults import Setting, settings
from acceptance_shops import CHANGES, mark_of
from scipy.stats import beta

from dynostats.charts.theme import PALETTE, layered

INTRODUCTION = """\
# Acceptance of pulls and labels: detection and false alarms

Simulated shops: three engines of 18 pulls each in six sessions, every pull from its log file
through ingest to `check`. Shares with exact 95% intervals. *Found* and *accused* mean a void or
doubtful finding, a warning of a danger to the engine, or any finding on the label.

```sh
nice .venv/bin/python tests/calibration/acceptance.py --rounds {rounds} --shops {shops}
```
"""
CLEAN = """\
Promised: at most 1% of clean pulls are accused of a wrong label. A pull can be accused by several
checks.
"""
LABELS = """\
*Noise SDs*: the largest difference of any one number of the two setups' signatures, over the true
SD of that number between pulls of one session. Promised: at least 95% are found of those whose
setups differ by more than 4.
"""
CHANCE = """\
Where 5% of the labels are wrong at random, which is what the stated prior supposes: how often a
label is wrong, by the probability of being wrong that `check` states.
"""
FAULTS = """\
Each fault strikes {strikes} pulls, one an engine and round, anywhere in its log and in the history.
Of the 18 pulls of an engine two are struck. *Told by* names the checks that told of it, how
gravely, and of how many of the struck pulls. The last size of a kind is meant to be near what
can be told, or below it.
"""
MARKS = (0.0, 2.0, 3.0, 4.0, 5.0, 7.0, 10.0, 20.0, np.inf)
PROMISED_MARK = 4.0
CHANCES = (0.0, 0.01, 0.03, 0.1, 0.3, 0.5, 0.8, 0.95, 1.0)
MODES = {"one": "one an engine", "pair": "two of a session swapped", "random": "5% at random"}
SURROUNDINGS = {
    "clean": "nothing is wrong in the shop",
    "faults": "beside pulls with faults",
    **{mode: f"beside wrong labels, {words}" for mode, words in MODES.items()},
}
Row = dict[str, Any]


def exact_interval(hits: int, total: int) -> tuple[float, float]:
    """Return the exact 95% interval of a share. Source: Clopper & Pearson (1934), Biometrika 26."""
    low = float(beta.ppf(0.025, hits, total - hits + 1)) if hits else 0.0
    high = float(beta.ppf(0.975, hits + 1, total - hits)) if hits < total else 1.0
    return low, high


def read_pulls(rows: Sequence[Row]) -> pl.DataFrame:
    """Return one row a pull: what is true of it, what is said of it, and how its setups differ.

    Args:
        rows: One a pull: kind of shop, engine, change, wrong (label), fault, size, chance (that the
            label is right), said (check, severity and danger of each finding).
    """
    return pl.DataFrame([_pull(row) for row in rows], infer_schema_length=None)


def _pull(row: Row) -> Row:
    (change,) = (one for one in CHANGES[row["engine"]] if one.name == row["change"])
    said: list[tuple[str, str, bool]] = row["said"]
    return row | {
        "said": sorted({f"{check} ({severity})" for check, severity, _ in said}),
        "checks": [check for check, *_ in said],
        "void": any(severity == "void" for _, severity, _ in said),
        "label": any(check.startswith("label") for check, *_ in said),
        "found": any(
            severity != "note" or danger or check.startswith("label")
            for check, severity, danger in said
        ),
        "mark": mark_of(row["engine"], change),
    }


def count(table: str, what: str, size: str, hits: pl.Series, note: str = "") -> Row:
    """Return one row of the result: a share of pulls with its interval."""
    low, high = exact_interval(int(hits.sum()), len(hits)) if len(hits) else (0.0, 1.0)
    return {
        "table": table,
        "what": what,
        "size": size,
        "hits": int(hits.sum()),
        "total": len(hits),
        "share": int(hits.sum()) / len(hits) if len(hits) else None,
        "low": low,
        "high": high,
        "note": note,
    }


def clean_rows(pulls: pl.DataFrame) -> Iterator[Row]:
    """Yield how many clean pulls are accused: by anything, of a wrong label, check by check."""
    clean = pulls.filter(~pl.col("wrong"), fault="")
    for kind, words in SURROUNDINGS.items():
        own = clean.filter(kind=kind)
        yield count("clean pulls accused", "anything", words, own["found"])
        yield count("clean pulls accused", "a wrong label", words, own["label"])
    for said in sorted(set(clean["said"].explode().drop_nulls())):
        for kind, words in SURROUNDINGS.items():
            hits = clean.filter(kind=kind)["said"].list.contains(said)
            if hits.any():
                yield count("clean pulls accused, check by check", said, words, hits)


def label_rows(pulls: pl.DataFrame) -> Iterator[Row]:
    """Yield how many wrong labels are found, by how far the setups differ."""
    for mode, words in MODES.items():
        wrong = pulls.filter("wrong", kind=mode)
        for low, high in (*itertools.pairwise(MARKS), (PROMISED_MARK, np.inf)):
            size = f"{low:g} to {high:g} noise SDs" if high < np.inf else f"over {low:g} noise SDs"
            own = wrong.filter(pl.col("mark") > low, pl.col("mark") <= high)
            yield count("wrong labels found", words, size, own["label"])


def chance_rows(pulls: pl.DataFrame) -> Iterator[Row]:
    """Yield how often labels are wrong whose stated probability of being wrong is such."""
    known = pulls.filter(pl.col("chance").is_not_null(), kind="random")
    known = known.with_columns(off=1.0 - pl.col("chance"))
    for low, high in itertools.pairwise(CHANCES):
        own = known.filter(
            pl.col("off").is_between(low, high, closed="left" if high < 1 else "both")
        )
        mean = f"mean stated {own['off'].mean():.3f}" if own.height else ""
        yield count("labels wrong", "label", f"stated {low:g} to {high:g}", own["wrong"], mean)


def fault_rows(pulls: pl.DataFrame) -> Iterator[Row]:
    """Yield how many of each fault are found, and who told of them."""
    for setting in settings():
        own = pulls.filter(fault=setting.kind, size=setting.size)
        yield count(
            "faults found", setting.kind, setting.size, own["found"], _tellers(own, setting)
        )


def _tellers(struck: pl.DataFrame, setting: Setting) -> str:
    told = struck["said"].explode().drop_nulls().value_counts(sort=True)
    each = [
        f"{said} {number}"
        for said, number in told.sort("count", "said", descending=[True, False]).rows()
    ]
    named = sum(bool(set(checks) & set(setting.checks)) for checks in struck["checks"])
    return f"{', '.join(each) or 'nobody'}; rightly named {named}, left out {struck['void'].sum()}"


def write_tables(rows: Sequence[Row], out: Path, *, rounds: int, shops: int) -> None:
    """Write acceptance.csv, acceptance.md and acceptance.svg into a folder."""
    pulls = read_pulls(rows)
    makers = (clean_rows, label_rows, chance_rows, fault_rows)
    counts = [row for maker in makers for row in maker(pulls) if row["total"]]
    table = pl.DataFrame(counts, infer_schema_length=None)
    table.write_csv(out / "acceptance.csv", float_precision=5)
    (out / "acceptance.md").write_text(_page(table, rounds, shops), encoding="utf-8")
    (out / "acceptance.svg").write_text(_chart(table), encoding="utf-8")


def _page(table: pl.DataFrame, rounds: int, shops: int) -> str:
    parts = {
        "clean pulls accused": CLEAN,
        "wrong labels found": LABELS,
        "labels wrong": CHANCE,
        "faults found": FAULTS.format(strikes=3 * rounds)
        + "\n![Share of faults found, by kind and size](acceptance.svg)\n",
        "clean pulls accused, check by check": "",
    }
    lines = [INTRODUCTION.format(rounds=rounds, shops=shops)]
    for name, text in parts.items():
        lines += [f"## {name.capitalize()}", "", *([text] if text else [])]
        lines += ["| what | how much | share | 95% | of | note |"]
        lines += ["| --- | --- | --- | --- | --- | --- |"]
        lines += [
            f"| {row['what']} | {row['size']} | {row['share']:.1%} | {row['low']:.1%} to "
            f"{row['high']:.1%} | {row['total']} | {row['note']} |"
            for row in table.filter(table=name).iter_rows(named=True)
        ]
        lines.append("")
    return "\n".join(lines)


def _chart(table: pl.DataFrame) -> str:
    """Draw each fault's share found with its interval, plainest severity of a kind on top."""
    shown = table.filter(table="faults found").with_columns(
        fault=pl.col("what") + ", " + pl.col("size")
    )
    names = alt.Axis(labelLimit=0, labelFontSize=10, minExtent=340, title=None)
    faults = alt.Y("fault:N", sort=shown["fault"].to_list(), axis=names)
    scale = alt.Scale(domain=[0, 1])
    axis = alt.Axis(format="%", title="found, of the pulls struck (exact 95% interval)")
    base = alt.Chart(shown).encode(y=faults)
    spans = base.mark_rule(strokeWidth=2, color=PALETTE["candidate"]).encode(
        x=alt.X("low:Q", scale=scale, axis=axis), x2="high:Q"
    )
    points = base.mark_point(filled=True, size=45, color=PALETTE["candidate"]).encode(
        x=alt.X("share:Q", scale=scale, axis=axis)
    )
    chart = layered([spans, points], width=420, height=17 * shown.height)
    return vlc.vegalite_to_svg(chart.to_json())
