"""The calibration as a table of numbers, a page to read, and a chart."""

from __future__ import annotations

from pathlib import Path

import altair as alt
import polars as pl
import vl_convert as vlc
from cells import Cell
from judge import EFFECTS_PCT
from scipy.stats import beta

METHODS = ("dynostats", "overlay", "t test a speed", "t test, Holm", "random field")
NOMINAL = 0.05
COMMAND = "python tests/calibration/run.py --studies {studies} --out reports"


def write_tables(
    results: list[tuple[Cell, dict[tuple[str, str], int]]], studies: int, out: Path
) -> None:
    """Write calibration.csv, calibration.md and calibration.svg into a folder."""
    table = pl.DataFrame(
        [
            row_of(cell, counts, method, studies)
            for cell, counts in results
            for method in METHODS
            if applies(method, cell, counts)
        ]
    )
    table.write_csv(out / "calibration.csv", float_precision=5)
    (out / "calibration.md").write_text(page_of(table, studies), encoding="utf-8")
    (out / "calibration.svg").write_text(chart_of(table), encoding="utf-8")


def applies(method: str, cell: Cell, counts: dict[tuple[str, str], int]) -> bool:
    """Tell whether a method can judge a scenario at all."""
    if method in {"dynostats", "overlay"}:
        return True
    seen = any(name == method for name, _ in counts)
    return cell.pulls > 1 and seen


def row_of(
    cell: Cell, counts: dict[tuple[str, str], int], method: str, studies: int
) -> dict[str, object]:
    """Return one row: rates with the 95% interval of the rate of false claims."""
    false = counts.get((method, "false claim"), 0)
    low, high = exact_interval(false, studies)
    row: dict[str, object] = {
        "pulls_a_side": cell.pulls,
        "history_pulls": cell.history,
        "design": cell.design,
        "noise": cell.shape,
        "method": method,
        "studies": studies,
        "false_claims": false / studies,
        "false_low": low,
        "false_high": high,
    }
    ours = method == "dynostats"
    judged = counts.get((method, "interval"), 0)
    missed = counts.get((method, "not covered"), 0)
    row["without_interval"] = counts.get((method, "no interval"), 0) / studies if ours else None
    row["coverage"] = 1.0 - missed / judged if ours and judged else None
    for size in EFFECTS_PCT:
        row[f"power_{size:g}_pct"] = counts.get((method, f"power {size:g}"), 0) / studies
    row["no_change_at_margin"] = (
        counts.get((method, "called no change at 0.5"), 0) / studies if ours else None
    )
    return row


def exact_interval(count: int, total: int) -> tuple[float, float]:
    """Return the 95% interval of a share; Clopper & Pearson (1934), Biometrika 26:404."""
    low = float(beta.ppf(0.025, count, total - count + 1)) if count else 0.0
    high = float(beta.ppf(0.975, count + 1, total - count)) if count < total else 1.0
    return low, high


PAGE = """\
# Calibration of `compare`

{scenarios} scenarios, {studies:,} simulated studies each, none with a true effect. A false claim is a
gain, a loss or both, over the band or in any region, at alpha 5%. Power is the share of studies with
the verdict 'gain' when a flat effect is added to the same studies. Made by
`{command}`; all numbers are in calibration.csv.

Scenarios with an answer: {answered}. False claims over them: {mean:.3f} on average, {worst:.3f} at
most. Coverage of the curve's band and the band means together: {coverage:.3f} on average,
{least:.3f} at least. Scenarios in which the promise of 5% is broken beyond Monte-Carlo error:
{broken}.

## Side by side, where all can answer (two pulls a side or more)

| method | false claims, mean | worst | power 1% | power 1.5%, where 2 to 3 pulls, 30+ past pulls, one session |
| --- | --- | --- | --- | --- |
{side_by_side}

## Every scenario with an answer

| pulls a side | past pulls | design | noise | false claims (95%) | coverage | power 1% | 1.5% | 2% | no interval |
| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |
{lines}

The others (one pull a side without enough history, or setups that never met without repeated days)
get no interval and the verdict 'undecided'.
"""  # noqa: E501 - rows of a Markdown table cannot be broken


def page_of(table: pl.DataFrame, studies: int) -> str:
    """Return the page in Markdown."""
    ours = table.filter(method="dynostats")
    answered = ours.filter(pl.col("without_interval") < 1.0)
    return PAGE.format(
        scenarios=ours.height,
        studies=studies,
        command=COMMAND.format(studies=studies),
        answered=answered.height,
        mean=answered["false_claims"].mean(),
        worst=answered["false_claims"].max(),
        coverage=answered["coverage"].mean(),
        least=answered["coverage"].min(),
        broken=answered.filter(pl.col("false_low") > NOMINAL).height,
        side_by_side="\n".join(rates_table(table)),
        lines="\n".join(scenario_line(row) for row in answered.iter_rows(named=True)),
    )


def rates_table(table: pl.DataFrame) -> list[str]:
    """Return the methods side by side over scenarios that dynostats answers, two pulls or more."""
    scenario = ["pulls_a_side", "history_pulls", "design", "noise"]
    answered = table.filter(
        (pl.col("method") == "dynostats")
        & (pl.col("without_interval") < 0.5)
        & (pl.col("pulls_a_side") > 1)
    ).select(scenario)
    told: list[str] = []
    for method in METHODS:
        own = table.filter(method=method).join(answered, on=scenario)
        if own.is_empty():
            continue
        rich = own.filter(
            pl.col("pulls_a_side").is_between(2, 3)
            & (pl.col("history_pulls") >= 30)
            & (pl.col("design") != "different_sessions")
        )
        told.append(
            f"| {method} | {own['false_claims'].mean():.3f} | {own['false_claims'].max():.3f} "
            f"| {own['power_1_pct'].mean():.2f} | {rich['power_1.5_pct'].mean():.2f} |"
        )
    return told


def scenario_line(row: dict[str, object]) -> str:
    """Return one row of the page's table."""
    return (
        f"| {row['pulls_a_side']} | {row['history_pulls']} | {row['design'].replace('_', ' ')} "
        f"| {row['noise'].replace('_', ' ')} | {row['false_claims']:.3f} "
        f"({row['false_low']:.3f} to {row['false_high']:.3f}) | {row['coverage']:.3f} "
        f"| {row['power_1_pct']:.2f} | {row['power_1.5_pct']:.2f} | {row['power_2_pct']:.2f} "
        f"| {row['without_interval']:.2f} |"
    )


def chart_of(table: pl.DataFrame) -> str:
    """Return the chart as SVG: false claims and power by method, a dot a scenario."""
    known = table.filter(
        (pl.col("method") != "dynostats") | (pl.col("without_interval") < 1.0)
    ).with_columns(name=pl.col("method"))
    method = alt.Y("name:N", title=None, sort=list(METHODS))
    dots = alt.Chart(known).mark_circle(size=46, opacity=0.55, color="#1f4e79")
    rule = alt.Chart(pl.DataFrame({"nominal": [NOMINAL]})).mark_rule(strokeDash=[4, 3])
    false = dots.encode(
        x=alt.X("false_claims:Q", title="Studies with a false claim", axis=alt.Axis(format="%")),
        y=method,
    ) + rule.encode(x="nominal:Q")
    power = dots.encode(
        x=alt.X(
            "power_1\\.5_pct:Q",
            title="Studies that find a gain of 1.5%",
            axis=alt.Axis(format="%"),
        ),
        y=method,
    )
    both = alt.vconcat(
        false.properties(width=520, height=150), power.properties(width=520, height=150)
    ).properties(title="A dot a scenario; the dashed line is the 5% that is promised")
    return vlc.vegalite_to_svg(both.to_json())
