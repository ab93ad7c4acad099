"""What years of pulls cost: warehouses of 1,000, 10,000 and 100,000 pulls, written to reports/.

The warehouses are generated (`scale_warehouse.py`): 12 channels, 300 to 600 samples, curves on 36
to 60 speeds, engines of 200 pulls. Everything is done in this process, after once on the smallest
one, so that what is imported is imported; each call opens the file for itself, as the product does.
Repeats are interleaved over the sizes, and medians told. Memory is the largest resident set of the
process during the call, less what it held before, by /proc (Linux).

Run on demand, on a computer that does nothing else (2.7 GB of disk, a quarter of an hour):
OPENBLAS_NUM_THREADS=1 .venv/bin/python tests/benchmarks/bench_scale.py [--folder DIR] [--repeats 5]
"""

from __future__ import annotations

import contextlib
import os
import platform
import statistics
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import altair as alt
import click
import duckdb
import numpy as np
import polars as pl
from scale_warehouse import DYNOS, LOGGED, PULLS_AN_ENGINE, make_scale_warehouse

import dynostats as ds
from dynostats.charts.axis import name_heights
from dynostats.curves import curve_of, find_sweeps
from dynostats.warehouse import named_query, open_store

SIZES = (1_000, 10_000, 100_000)
MEMORY = "500MB"
REPORTS = Path(__file__).parents[2] / "reports"
HEAVIEST = ("flat_sensors", "regression_rows", "history_statistics")
# A setup's row number stands for it: labels as keys of so many groups would cost more than the
# reduction.
CELLS = """
    cells as (
        select pulls.pull_no, setups.rowid as cell
        from pulls
        inner join setups on setups.engine = pulls.engine and setups.setup = pulls.setup
        where pulls.state = 'accepted'
    )
"""
FROM_CURVES = f"""
    with {CELLS}
    select avg(variance) from (
        select var_samp(ln(curves.torque)) as variance
        from curves inner join cells on cells.pull_no = curves.pull_no
        where curves.torque > 0
        group by cells.cell, curves.rpm)
"""
# The same on the same grid: samples to the mean of each pull and 50 rpm first. That is the least
# that could be done; the product's curves are smoothed, see `from_samples_as_made`.
FROM_SAMPLES = f"""
    with {CELLS}, gridded as (
        select samples.pull_no, round(samples.engine_speed / 50) * 50 as rpm,
            avg(ln(samples.torque)) as log_torque
        from samples
        where samples.torque > 0
        group by samples.pull_no, round(samples.engine_speed / 50) * 50
    )
    select avg(variance) from (
        select var_samp(gridded.log_torque) as variance
        from gridded inner join cells on cells.pull_no = gridded.pull_no
        group by cells.cell, gridded.rpm)
"""

MEANING = (
    "`open` is opening the file and letting go of it; `look-up` the query `study_curves` for one "
    "setup; `compare` the whole of `Warehouse.compare`; `bare read` what DuckDB takes to open the "
    "file and read pull, speed and torque of all curves into numpy; `variance` that of log torque "
    "within each setup, from stored curves, from samples brought to the same speeds by the mean of "
    "each 50 rpm, and from samples by making the curves anew as an ingest does, in a file that is "
    "open already; "
    "the rest the three costliest named queries, written to a file."
)

WHERE = (
    "Where the time of `repeatability` goes at 100,000 pulls, by profile: a quarter into pulls "
    "unlike the others of their setup, a quarter into the sums and what follows from them, engine "
    "by engine, a sixth into lasting changes of the cell, a tenth into copies, the rest into "
    "reading, laying the curves out and taking logs. The bare read does none of it, and a noise "
    "without it would be wrong: one aborted pull, or one file stored twice, would stand in every "
    "later answer. Reading, labels, layout and logs alone take some 3.3 bare reads. Sums kept in "
    "the warehouse would be faster, and a kept answer can be stale; two seconds at 100,000 pulls "
    "are the better bargain."
)


@dataclass
class Reduction:
    """A statement asked of DuckDB itself, in the product's memory limit, with the file open."""

    path: Path
    sql: str
    connection: duckdb.DuckDBPyConnection | None = None

    def __enter__(self) -> None:
        """Open the file: not part of the reduction, it has a row of its own."""
        self.connection = duckdb.connect(self.path, read_only=True, config={"memory_limit": MEMORY})

    def __call__(self) -> object:
        """Reduce."""
        return self.connection.sql(self.sql).fetchnumpy()

    def __exit__(self, *_: object) -> None:
        """Let go of the file."""
        self.connection.close()


@dataclass(frozen=True)
class Cost:
    """One measurement: seconds, and megabytes beyond what the process held before."""

    seconds: float
    megabytes: float


def resident(field: str) -> float:
    """Return a figure of this process's memory, MB."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(field):
            return int(line.split()[1]) / 1e3
    raise LookupError(field)


def measure(act: Callable[[], object]) -> Cost:
    """Run something once."""
    Path("/proc/self/clear_refs").write_text("5")  # the largest so far counts from now on
    before = resident("VmRSS")
    with act if isinstance(act, Reduction) else contextlib.nullcontext():
        start = time.perf_counter()
        act()
        taken = time.perf_counter() - start
    return Cost(taken, resident("VmHWM") - before)


def bare(path: Path, sql: str) -> object:
    """Ask DuckDB itself, in the product's memory limit."""
    with duckdb.connect(path, read_only=True, config={"memory_limit": MEMORY}) as connection:
        return connection.sql(sql).fetchnumpy()


def from_samples_as_made(path: Path) -> float:
    """Return the variance from samples, each pull's curve made anew as an ingest makes it."""
    with open_store(path) as store:
        logs = store.query(
            "select pull_no, time, engine_speed, torque from samples order by pull_no, sample"
        )
        cells = store.query(f"with {CELLS} select pull_no, cell from cells")
        curves = [
            curve_of(log, find_sweeps(log).pulls[0]).with_columns(pull_no=pl.lit(number))
            for (number,), log in logs.group_by("pull_no", maintain_order=True)
        ]
    laid = pl.concat(curves).join(cells, on="pull_no")
    spread = laid.group_by("cell", "rpm").agg(pl.col("torque").log().var())
    return float(spread["torque"].mean())


def heavy(path: Path, name: str) -> None:
    """Answer a named query into a file, as `query NAME --out FILE` does."""
    with tempfile.TemporaryDirectory() as folder, ds.open_warehouse(path) as warehouse:
        values = {"low": 3000.0, "high": 4700.0}
        wanted = [p.name for p in named_query(name).parameters if p.required]
        out = Path(folder) / "out.parquet"
        warehouse.query_to(out, name, {key: values[key] for key in wanted})


def acts(path: Path, pulls: int) -> dict[str, Callable[[], object]]:
    """Return everything that is measured on a warehouse, by name."""
    warehouse = ds.open_warehouse(path)
    engine = f"E{pulls // PULLS_AN_ENGINE // 2}"
    ask = {"engine": engine, "baseline": "standard", "candidate": "trial 3"}
    return {
        "open": lambda: open_store(path).close(),
        "look-up": lambda: warehouse.query("study_curves", engine=engine, setups=["trial 3"]),
        "compare": lambda: warehouse.compare(**ask),
        "repeatability": warehouse.repeatability,
        "bare read": lambda: bare(path, "select pull_no, rpm, torque from curves"),
        "variance from curves": Reduction(path, FROM_CURVES),
        "variance from samples": Reduction(path, FROM_SAMPLES),
        **(
            {"variance, curves made anew": lambda: from_samples_as_made(path)}
            if pulls == SIZES[0]  # it takes minutes on the others
            else {}
        ),
        **{name: (lambda name=name: heavy(path, name)) for name in HEAVIEST},
    }


def storage(path: Path) -> dict[str, float]:
    """Return what a pull takes on disk, kB, by table, and what its file had."""
    with duckdb.connect(path, read_only=True) as connection:
        (count,) = connection.execute("select count(*) from pulls").fetchone()
        (text,) = connection.execute("select sum(size) from sources").fetchone()
    return {"file": path.stat().st_size / count / 1e3, "text": text / count / 1e3}


def check(path: Path) -> None:
    """Hold both ways to the variance against each other: they measure the same.

    Each sample was given a deviate of 0.4%, which the generated curves are free of, and some 7.5
    samples are averaged at each speed.
    """
    from_curves, from_samples = (
        float(next(iter(bare(path, sql).values()))[0]) for sql in (FROM_CURVES, FROM_SAMPLES)
    )
    expected = from_curves + 0.004**2 / 7.5
    assert abs(from_samples / expected - 1.0) < 0.1, (from_curves, from_samples)
    made = from_samples_as_made(path)
    assert abs(made / from_curves - 1.0) < 0.15, (from_curves, made)


def run(paths: dict[int, Path], repeats: int) -> pl.DataFrame:
    """Measure everything, the sizes in turn; one row a size and act."""
    for act in acts(paths[SIZES[0]], SIZES[0]).values():
        measure(act)
    check(paths[SIZES[0]])
    costs: dict[tuple[int, str], list[Cost]] = {}
    for turn in range(repeats):
        for size, path in paths.items():
            for name, act in acts(path, size).items():
                costs.setdefault((size, name), []).append(measure(act))
            click.echo(f"{time.strftime('%H:%M:%S')} turn {turn + 1}, {size:,} pulls", err=True)
    return pl.DataFrame(
        {
            "pulls": size,
            "act": name,
            "seconds": statistics.median(cost.seconds for cost in found),
            "megabytes": max(cost.megabytes for cost in found),
        }
        for (size, name), found in costs.items()
    )


def targets(table: pl.DataFrame) -> list[tuple[str, str, float, str, bool]]:
    """Return each target: what, limit, measured, unit, held."""

    def cost(name: str, size: int) -> float:
        return table.filter(act=name, pulls=size)["seconds"].item()

    small, middle, large = SIZES
    growing = ("repeatability", "variance from curves", *HEAVIEST)
    grown = {name: cost(name, large) / cost(name, middle) for name in growing}
    rows = [
        ("look-up, 100,000 over 1,000 pulls", 2.0, cost("look-up", large) / cost("look-up", small)),
        ("compare, 100,000 over 1,000 pulls", 2.0, cost("compare", large) / cost("compare", small)),
        *((f"{name}, 100,000 over 10,000 pulls", 12.0, ratio) for name, ratio in grown.items()),
        (
            "repeatability over a bare read, 100,000 pulls",
            2.0,
            cost("repeatability", large) / cost("bare read", large),
        ),
    ]
    gain = cost("variance from samples", large) / cost("variance from curves", large)
    told = [
        (what, f"at most {limit:g}", ratio, "times", ratio <= limit) for what, limit, ratio in rows
    ]
    made = cost("variance, curves made anew", small) / cost("variance from curves", small)
    return [
        *told,
        ("variance from samples over curves, 100,000", "at least 15", gain, "times", gain >= 15),
        ("the same with curves made anew, 1,000", "at least 15", made, "times", made >= 15),
    ]


def draw(table: pl.DataFrame) -> alt.LayerChart:
    """Return cost against size, both logarithmic, every line named at its end."""
    height = 460
    shown = table.select("pulls", "act", "seconds")
    reach = np.log10(shown["seconds"].max() / shown["seconds"].min())
    ends = shown.filter(pulls=SIZES[-1]).with_columns(pl.col("seconds").log10().alias("log"))
    named = name_heights(ends, "log", extent=reach, height=height)
    named = named.with_columns(at=10.0 ** pl.col("at"))
    x = (
        alt.X("pulls:Q", title="pulls in the warehouse")
        .scale(type="log", domain=[900, 900_000], nice=False)
        .axis(values=list(SIZES), format=",d")
    )
    colour = alt.condition(alt.datum.act == "bare read", alt.value("#b4530a"), alt.value("#2b5c8a"))
    seconds = alt.Y("seconds:Q", title="time, s").scale(type="log", nice=False)
    lines = (
        alt.Chart(shown)
        .mark_line(point=True)
        .encode(x=x, y=seconds.axis(format="~g"), detail="act:N", color=colour)
    )
    names = (
        alt.Chart(named)
        .mark_text(align="left", dx=8, fontSize=11)
        .encode(x=x, y="at:Q", text="act:N", color=colour)
    )
    title = "What a larger warehouse costs (medians; a bare DuckDB read in orange)"
    return (lines + names).properties(width=620, height=height, title=title)


def _cell(measured: pl.DataFrame) -> str:
    if measured.is_empty():
        return ""
    return f"{measured['seconds'].item() * 1e3:,.1f} ({measured['megabytes'].item():,.0f})"


def write(table: pl.DataFrame, paths: dict[int, Path], *, repeats: int, load: str) -> None:
    """Write the table and the chart."""
    held = {size: storage(path) for size, path in paths.items()}
    opening = (
        "`OPENBLAS_NUM_THREADS=1 .venv/bin/python tests/benchmarks/bench_scale.py`, "
        f"{time.strftime('%Y-%m-%d')}, DuckDB {duckdb.__version__}, {os.cpu_count()} processors, "
        f"{platform.machine()}; {load}. Medians of {repeats} interleaved repeats. The "
        f"warehouses: {len(LOGGED)} channels, 300 to 600 samples, "
        "curves on 36 to 60 speeds (each engine has its range, and one pull in fifty ends early), "
        f"engines of {PULLS_AN_ENGINE} pulls on {DYNOS} dynos. The storage "
        f"engine has {MEMORY} of memory; results and arrays of the process come on top."
    )
    told = (
        "Time in milliseconds, and in brackets the largest memory of the process during the call "
        "beyond what it held before, MB:"
    )
    lines = [
        "# Scale: what years of pulls cost",
        "",
        opening,
        "",
        "![Time against pulls, both logarithmic](scale.svg)",
        "",
        "| target | limit | measured | held |",
        "| --- | --- | ---: | --- |",
        *(
            f"| {what} | {limit} | {ratio:.1f} {unit} | {'yes' if good else '**no**'} |"
            for what, limit, ratio, unit, good in targets(table)
        ),
        "",
        "| pulls | on disk, kB a pull | CSV text of a pull, kB |",
        "| ---: | ---: | ---: |",
        *(f"| {size:,} | {one['file']:.1f} | {one['text']:.1f} |" for size, one in held.items()),
        "",
        told,
        "",
        "| | " + " | ".join(f"{size:,} pulls" for size in paths) + " |",
        "| --- |" + " ---: |" * len(paths),
    ]
    for name in table["act"].unique(maintain_order=True):
        told = " | ".join(_cell(table.filter(act=name, pulls=size)) for size in paths)
        lines.append(f"| {name} | {told} |")
    lines += ["", MEANING, "", WHERE, ""]
    (REPORTS / "scale.md").write_text("\n".join(lines), encoding="utf-8")
    draw(table).save(REPORTS / "scale.svg")


@click.command()
@click.option("--folder", type=click.Path(path_type=Path), help="Where warehouses are, or go.")
@click.option("--repeats", default=5, help="How often each is run.")
def main(folder: Path | None, repeats: int) -> None:
    """Measure, and write reports/scale.md and reports/scale.svg."""
    with tempfile.TemporaryDirectory() as spare:
        home = folder or Path(spare)
        paths = {size: home / f"{size}.duckdb" for size in SIZES}
        for size, path in paths.items():
            if not path.exists():
                make_scale_warehouse(path, size)
        began = os.getloadavg()[0]
        table = run(paths, repeats)
        load = f"load {began:.1f} at the beginning and {os.getloadavg()[0]:.1f} at the end"
        write(table, paths, repeats=repeats, load=load)
    for what, limit, ratio, unit, good in targets(table):
        click.echo(f"{what}: {ratio:.2f} {unit} ({limit}) {'held' if good else 'NOT HELD'}")
    click.echo(table)


if __name__ == "__main__":
    main()
