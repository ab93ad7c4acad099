"""The gallery: one picture of every chart function, with the lines that draw it and how to read it.

    .venv/bin/python tests/gallery.py

Writes `reports/gallery.md` and the pictures in `reports/gallery/` from the demo's logs. The lines
shown are the lines run.
"""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import altair as alt
import polars as pl

import dynostats as ds
from dynostats import charts
from dynostats.report.chart_files import chart_svg

ROOT = Path(__file__).parents[1]
GALLERY = ROOT / "reports" / "gallery.md"
PICTURES = ROOT / "reports" / "gallery"

# The session whose pulls come in pair by pair, after the question was declared.
LATER = "N03"


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """One chart: its function, what is handed to it, and how it is read."""

    name: str
    line: str
    read: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """The charts of one command: the command, the lines that ask the same, its pictures."""

    title: str
    command: str
    lines: str
    pictures: tuple[Picture, ...]


SUBJECTS = (
    Subject(
        title="Did it help? `compare`",
        command="dynostats compare --baseline outlet-54 --candidate outlet-70 --charts pictures",
        lines='finding = wh.compare(baseline="outlet-54", candidate="outlet-70")',
        pictures=(
            Picture(
                name="effect_chart",
                line="effect_chart(finding)",
                read="The line is the difference in percent of the baseline, the band holds at all "
                "speeds together; where the whole band lies above zero, the strip says gain.",
            ),
            Picture(
                name="pull_difference_chart",
                line="pull_difference_chart(finding)",
                read="Every pull against the mean of the baseline: a real effect looks like "
                "candidates that all lie to one side of the baselines; whether it may "
                "be chance, the band of the first picture says.",
            ),
            Picture(
                name="region_chart",
                line="region_chart(finding)",
                read="The mean effect of each part of the rev range with its interval; an interval "
                "that crosses zero decides nothing there.",
            ),
            Picture(
                name="power_chart",
                line="power_chart(finding)",
                read="Power of every pull, the baseline dashed; lines that lie on one another "
                "differ by less than the eye can see.",
            ),
            Picture(
                name="torque_chart",
                line="torque_chart(finding)",
                read="The same for torque.",
            ),
            Picture(
                name="run_order_chart",
                line="run_order_chart(finding)",
                read="Each pull's mean in the order of running: a slope within a session is a "
                "drift, which alternating takes out; a cross is an excluded pull.",
            ),
            Picture(
                name="noise_chart",
                line="noise_chart(finding)",
                read="The difference found beside the cell's own scatter, as means over the band: "
                "a difference no larger than the scatter is not seen by a single pair of pulls.",
            ),
            Picture(
                name="influence_chart",
                line="influence_chart(finding)",
                read="The effect with each pull left out in turn: where the dot or interval jumps, "
                "the answer hangs on that pull.",
            ),
            Picture(
                name="spark_chart",
                line="spark_chart(finding, spark_scale([finding]))",
                read="The difference and its band as small as a word, for the list of `dynostats "
                "studies --report`; the level line is zero.",
            ),
        ),
    ),
    Subject(
        title="Why? `attribute`",
        command="dynostats attribute --baseline outlet-54 --candidate deep-core",
        lines='split = wh.attribute(baseline="outlet-54", candidate="deep-core")',
        pictures=(
            Picture(
                name="split_chart",
                line="split_chart(split)",
                read="From the baseline down to the candidate: each bar begins where the one above "
                "ended, so the parts add up to the total.",
            ),
            Picture(
                name="split_speed_chart",
                line="split_speed_chart(split)",
                read="The same parts at each engine speed; they add up to the whole difference.",
            ),
            Picture(
                name="partial_chart",
                line='partial_chart(split, "charge_temperature")',
                read="What pulls tell of one cause alone, the other causes taken out: the steeper "
                "and the tighter the cloud, the better the part is known.",
            ),
            Picture(
                name="loss_chart",
                line="loss_chart(split.cooler)",
                read="Pressure that each charge cooler costs at the same air flow; where the bands "
                "part, the coolers differ.",
            ),
        ),
    ),
    Subject(
        title="How much does the cell scatter? `repeatability`",
        command="dynostats repeatability --engine QB-21T",
        lines='noise = wh.repeatability(engine="QB-21T")',
        pictures=(
            Picture(
                name="repeatability_chart",
                line="repeatability_chart(noise)",
                read="How far two single pulls of the same engine may differ by chance, in one "
                "session and on two days; a smaller difference means nothing.",
            ),
        ),
    ),
    Subject(
        title="How many pulls? `plan`",
        command="dynostats plan --effect 1.5 --engine QB-21T",
        lines='plan = wh.plan(effect=1.5, engine="QB-21T", seed=1)',
        pictures=(
            Picture(
                name="plan_chart",
                line="plan_chart(plan)",
                read="The smallest effect that is seen with the wanted chance falls with the "
                "number of pulls; beyond the bend more pulls buy little.",
            ),
        ),
    ),
    Subject(
        title="Stop or go on? `watch`",
        command="dynostats watch pulls/",
        lines="study = wh.study()",
        pictures=(
            Picture(
                name="looks_chart",
                line="looks_chart(study.declared, study.looks)",
                read="The effect after each pair of pulls, with bounds that hold for all looks "
                "together: wholly above zero is a gain, and a dot without bounds is a look at "
                "which nothing could be claimed yet.",
            ),
        ),
    ),
    Subject(
        title="Is a new log like the accepted pulls? `envelope`",
        command="dynostats envelope --reference outlet-54 datasets/demo/T08-03.csv",
        lines='held = wh.envelope("datasets/demo/T08-03.csv", reference="outlet-54")',
        pictures=(
            Picture(
                name="envelope_chart",
                line='envelope_chart(held, "manifold_pressure")',
                read="The band is where a further pull of the setup would lie; the line of the new "
                "log outside it is unlike the pulls there.",
            ),
        ),
    ),
    Subject(
        title="Is the cell still the cell it was? `monitor`",
        command="dynostats monitor --engine QB-21T --report monitor.html",
        lines='cell = wh.monitor(engine="QB-21T")',
        pictures=(
            Picture(
                name="individuals_chart",
                line="individuals_chart(cell)",
                read="Each session's mean between its limits; a diamond lies outside them.",
            ),
            Picture(
                name="range_chart",
                line="range_chart(cell)",
                read="How far each session lies from the one before; above the line is a jump.",
            ),
            Picture(
                name="within_chart",
                line="within_chart(cell)",
                read="How much the pulls of each session scatter; above the line that day was "
                "noisier than the cell is.",
            ),
            Picture(
                name="ewma_chart",
                line="ewma_chart(cell)",
                read="A running mean, which sees a small lasting shift that no single session "
                "shows: it wanders out of its limits.",
            ),
        ),
    ),
    Subject(
        title="What do all studies say together? `history`",
        command="dynostats history --report history.html",
        lines="past = wh.history()",
        pictures=(
            Picture(
                name="forest_chart",
                line="forest_chart(past)",
                read="One line a study: the dot is its effect, the ring what is left when the luck "
                "of the largest is taken out; an interval across zero decides nothing.",
            ),
        ),
    ),
    Subject(
        title="Which pulls are like this one? `similar`",
        command="dynostats similar P48",
        lines='alike = wh.similar("P48")',
        pictures=(
            Picture(
                name="likeness_chart",
                line="likeness_chart(alike)",
                read="How the pulls most like it differ from the pull asked for; within the pale "
                "band they are as like as two pulls of one setup in a session.",
            ),
        ),
    ),
)  # fmt: skip


def chart_functions() -> dict[str, str]:
    """Return every public function that draws a chart, by name, with the module it stands in."""
    found: dict[str, str] = {}
    for module in pkgutil.iter_modules(charts.__path__, "dynostats.charts."):
        members = inspect.getmembers(importlib.import_module(module.name), inspect.isfunction)
        found |= {
            name: module.name
            for name, function in members
            if name.endswith("_chart") and function.__module__ == module.name and name[0] != "_"
        }
    return found


def listed() -> list[str]:
    """Return the names of the charts in the gallery, in its order."""
    return [one.name for subject in SUBJECTS for one in subject.pictures]


def make_gallery() -> str:
    """Return the page of the gallery."""
    modules = chart_functions()
    lines = [
        "# Gallery of charts",
        "",
        "One picture of every chart, of the demo's logs, with the command that gives the answer",
        "and the Python lines that draw it. Made by `.venv/bin/python tests/gallery.py`.",
        "Before them:",
        "",
        "```python",
        "import dynostats as ds",
        "",
        'wh = ds.open_warehouse("dynostats-demo/dynostats.duckdb")  # after `dynostats demo`',
        "```",
        "",
        "```sh",
        "export DYNOSTATS_WAREHOUSE=dynostats-demo/dynostats.duckdb",
        "```",
        "",
        f"For `watch`, the question was declared before session {LATER}, whose pulls then came in",
        "one by one.",
        "",
    ]
    for subject in SUBJECTS:
        lines += [f"## {subject.title}", "", "```sh", subject.command, "```", ""]
        imports = [f"from {modules[one.name]} import {one.name}" for one in subject.pictures]
        if any("spark_scale" in one.line for one in subject.pictures):
            imports[-1] += ", spark_scale"
        lines += ["```python", *imports, "", subject.lines]
        lines += [*(one.line for one in subject.pictures), "```", ""]
        for one in subject.pictures:
            lines += [f"### {one.name}", "", one.read, "", f"![{one.name}](gallery/{one.name}.svg)"]
            lines += [""]
    return "\n".join(lines)


def draw_all(demo: Path, watched: Path) -> dict[str, bytes]:
    """Return every picture of the gallery as SVG, by name.

    Args:
        demo: A warehouse with the demo's logs.
        watched: One to which a question was declared before the pulls of its session came in.
    """
    return {
        one.name: drawn
        for subject in SUBJECTS
        for one, drawn in _draw(subject, watched if "watch" in subject.command else demo)
    }


def _draw(subject: Subject, warehouse: Path) -> Iterator[tuple[Picture, bytes]]:
    with ds.open_warehouse(warehouse) as wh:
        names: dict[str, object] = {"wh": wh}
        for module in sorted(set(chart_functions().values())):
            names |= vars(importlib.import_module(module))
        exec(subject.lines, names)  # noqa: S102 - the lines stand above
    for one in subject.pictures:
        chart = eval(one.line, dict(names))  # noqa: S307 - the line stands above
        assert isinstance(chart, alt.LayerChart), one.name
        yield one, chart_svg(chart.to_dict(), one.read)


def watch_a_study(warehouse: Path, folder: Path) -> None:
    """Store the demo's logs; the pulls of the later session come in singly, watched.

    Args:
        warehouse: The file to make.
        folder: An empty folder for the logs.
    """
    demo = ROOT / "datasets" / "demo"
    sheet = pl.read_csv(demo / "sheet.csv", infer_schema=False)
    later = pl.col("session") == LATER
    for name, rows in {"past": sheet.filter(~later), "today": sheet.filter(later)}.items():
        (folder / name).mkdir(parents=True)
        rows.write_csv(folder / name / "sheet.csv")
    for file in sheet.filter(~later)["file"]:
        shutil.copy(demo / file, folder / "past" / file)
    with ds.open_warehouse(warehouse) as wh:
        wh.ingest(folder / "past")
        plan = wh.plan(
            effect=0.3,
            looks=None,
            seed=1,
            engine="QB-16N",
            dyno="cell-2",
            baseline="stock",
            candidate="light-oil",
            session=LATER,
        )
        wh.declare(plan, who="gallery")
        watch = wh.watch(folder / "today", settle_s=0.0)
        clock = 0.0
        for file in sheet.filter(later)["file"]:
            shutil.copy(demo / file, folder / "today" / file)
            for _ in range(3):
                clock += 1.0
                watch.step(clock)


def main() -> None:
    """Write the page and the pictures anew."""
    with tempfile.TemporaryDirectory() as place:
        demo, watched = Path(place) / "demo.duckdb", Path(place) / "watched.duckdb"
        with ds.open_warehouse(demo) as wh:
            wh.ingest(ROOT / "datasets" / "demo")
        watch_a_study(watched, Path(place) / "logs")
        drawn = draw_all(demo, watched)
    PICTURES.mkdir(exist_ok=True)
    for name, svg in drawn.items():
        (PICTURES / f"{name}.svg").write_bytes(svg)
    GALLERY.write_text(make_gallery(), encoding="utf-8")


if __name__ == "__main__":
    main()
