"""Each correction standard beside a value worked out apart; one comparison's verdict under each.

    .venv/bin/python tests/calibration/corrections.py

Writes reports/corrections.md. The comparisons go from simulated log files through ingest, as at the
command line. About 20 CPU seconds.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

sys.path += [str(Path(__file__).parent), str(Path(__file__).parents[1] / "curves")]

import numpy as np
from standards_apart import APART, CONDITIONS

import dynostats as ds
from dynostats.analysis.comparison import Comparison
from dynostats.curves.correction import STANDARDS, read_air
from dynostats.simulate import (
    Ambient,
    EngineSpec,
    Setup,
    open_session,
    simulate_pull,
)
from dynostats.simulate.scenario import BREATHING_FOUR, QUIET, TURBO_FIVE

COOL = Ambient(pressure_kpa=100.6, temperature_c=18.0, relative_humidity_pct=45.0)
WARM = Ambient(pressure_kpa=97.4, temperature_c=30.0, relative_humidity_pct=60.0)
HIGH_UP = Ambient(pressure_kpa=94.5, temperature_c=20.0, relative_humidity_pct=45.0)
PAST_DAYS = 10
SHEET = (
    "file,engine,dyno,session,setup,order,boost_control,ambient_pressure [kPa],"
    "ambient_temperature [degC],relative_humidity [%]"
)
FACTORS = """\
# Ambient correction: values and verdicts

Made by `.venv/bin/python tests/calibration/corrections.py`.

## Each standard at three conditions

dynostats / worked out apart in the units of its text, with another vapour pressure (Buck 1996,
within 0.05% of the IAPWS one that dynostats uses). Compression ignition: the air's part, before the
engine factor. `tests/curves/test_correction.py` holds the two together within 0.002%.
"""
CHANNELS = {
    "time": "s",
    "engine_speed": "rpm",
    "torque": "N.m",
    "power": "kW",
    "manifold_pressure": "kPa abs",
    "throttle": "%",
}


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """Two setups and the air they were pulled in.

    Args:
        title: What it shows, in words.
        engine: The engine.
        days: Run and air of the days with the two setups; B is a change worth nothing.
        past: Air of past days of the baseline; None for weather that changes from day to day.
        boost_control: What the sheet says of it.
        correction: Correction that is asked for.
    """

    title: str
    engine: EngineSpec
    days: tuple[tuple[str, Ambient], ...]
    past: Ambient | None = None
    boost_control: str = ""
    correction: str = "none"


def scenarios() -> list[Scenario]:
    """Return the comparisons shown."""
    assert TURBO_FIVE.turbo is not None
    held = replace(TURBO_FIVE, name="QB-21H", turbo=replace(TURBO_FIVE.turbo, closed_loop=True))
    return [
        Scenario(
            title="A naturally aspirated engine; the baseline on a cool day, a change worth "
            "nothing on a warm one",
            engine=BREATHING_FOUR,
            days=(("AAA", COOL), ("BBB", WARM)),
        ),
        Scenario(
            title="The same change, both setups in one session",
            engine=BREATHING_FOUR,
            days=(("ABBAAB", WARM),),
        ),
        Scenario(
            title="An engine whose boost is held by a controller; the baseline at a high "
            "barometer, a change worth nothing at a low one; sae_j1349 asked for",
            engine=held,
            days=(("AAA", COOL), ("BBB", HIGH_UP)),
            past=COOL,
            boost_control="compensated",
            correction="sae_j1349",
        ),
    ]


def answer(scenario: Scenario, folder: Path) -> Comparison:
    """Simulate the logs, ingest them and compare."""
    rng = np.random.default_rng(8)
    files = folder / "pulls"
    files.mkdir(parents=True)
    lines = [SHEET]
    past = [("AAA", scenario.past or _weather(rng)) for _ in range(PAST_DAYS)]
    for day, (run, air) in enumerate((*past, *scenario.days), start=1):
        session = open_session(QUIET, scenario.engine, air, rng)
        for order, setup in enumerate(run, start=1):
            log = simulate_pull(scenario.engine, Setup(name=setup), session, order=order, rng=rng)
            file = f"day-{day:02d}_{order}.csv"
            titles = {name: f"{name} [{unit}]" for name, unit in CHANNELS.items()}
            log.select(list(CHANNELS)).rename(titles).write_csv(files / file, float_precision=3)
            lines.append(
                f"{file},{scenario.engine.name},cell,day-{day:02d},{setup},{order},"
                f"{scenario.boost_control},{air.pressure_kpa:.2f},{air.temperature_c:.1f},"
                f"{air.relative_humidity_pct:.0f}"
            )
    (files / "sheet.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    with ds.open_warehouse(folder / "shop.duckdb") as warehouse:
        warehouse.ingest(files)
        return warehouse.compare(baseline="A", candidate="B", correction=scenario.correction)


def _weather(rng: np.random.Generator) -> Ambient:
    return Ambient(
        pressure_kpa=float(rng.normal(99.0, 0.9)),
        temperature_c=float(np.clip(rng.normal(24.0, 3.5), 16.0, 34.0)),
        relative_humidity_pct=float(rng.uniform(30.0, 60.0)),
    )


def factor_table() -> Iterator[str]:
    """Yield each standard at three conditions, ours beside the one worked out apart."""
    heads = [
        f"{kpa:g} kPa, {celsius:g} degC, {humidity:g}%" for kpa, celsius, humidity in CONDITIONS
    ]
    yield f"| standard | {' | '.join(heads)} | apart from |"
    yield "| --- " * (len(CONDITIONS) + 2) + "|"
    for apart in APART:
        ours = STANDARDS[apart.name].factor
        cells = [
            f"{ours(read_air(*air, where='')):.5f} / {apart.factor(*air):.5f}" for air in CONDITIONS
        ]
        yield f"| {apart.name} | {' | '.join(cells)} | {apart.source} |"


def verdict_table(found: Comparison) -> Iterator[str]:
    """Yield the answer under each correction."""
    yield "| correction | verdict | effect | interval | factor of A | factor of B | said of it |"
    yield "| --- " * 7 + "|"
    for one in found.corrections:
        mark = " (in force)" if one.name == found.correction else ""
        verdict = "cannot be applied" if one.verdict is None else one.verdict.replace("_", " ")
        yield (
            f"| {one.name}{mark} | {verdict} | {_percent(one.effect_pct)} | "
            f"{_percent(one.low_pct)} to {_percent(one.high_pct)} | "
            f"{_range(one.baseline_factor)} | {_range(one.candidate_factor)} | {one.note} |"
        )


def _percent(value: float | None) -> str:
    return "?" if value is None else f"{value:+.2f}%"


def _range(factor: tuple[float, float] | None) -> str:
    if factor is None:
        return ""
    low, high = factor
    return f"{low:.4f}" if high - low < 5e-5 else f"{low:.4f} to {high:.4f}"


def page(found: Sequence[tuple[Scenario, Comparison]]) -> str:
    """Return the page."""
    lines = [FACTORS, *factor_table()]
    for scenario, one in found:
        warned = [text for text in one.warnings if "correct" in text.lower()]
        lines += ["", f"## {scenario.title}", "", *verdict_table(one), ""]
        lines += [f"- Warning: {text}" for text in warned]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=Path("reports"))
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        found = [
            (scenario, answer(scenario, Path(folder) / str(number)))
            for number, scenario in enumerate(scenarios())
        ]
    (asked.out / "corrections.md").write_text(page(found), encoding="utf-8")


if __name__ == "__main__":
    main()
