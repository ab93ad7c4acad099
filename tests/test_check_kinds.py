"""Every kind of finding from a log file to the answers of `check` and `compare`.

One shop holds them all, one a session: what is odd in one must not make another look odd.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from check_shop import (
    SPEED,
    collapse,
    end_early,
    of,
    row_of,
    starve,
    stick,
    write_pull,
)

import dynostats as ds

RUN = "AABBAB"
ROWS = np.arange(len(SPEED))
LATE = np.clip((ROWS - 100) / 40.0, 0.0, 1.0)  # 0 up to 4,500 rpm, 1 from 5,500 rpm on


def equip(log, rng):
    """Add what a well-equipped cell logs."""

    def noisy(level, sd):
        return level + sd * rng.standard_normal(len(SPEED))

    channels = {
        "power [kW]": log["torque [N.m]"].to_numpy() * SPEED * np.pi / 30_000.0,
        "manifold pressure [kPa abs]": noisy(170.0 + SPEED / 400.0, 0.3),
        "oil pressure [kPa]": noisy(np.minimum(120.0 + 0.075 * SPEED, 430.0), 2.0),
        "oil temperature [degC]": noisy(90.0 + SPEED / 2000.0, 0.1),
        **{f"lambda {n} [1]": noisy(0.88 + 0.004 * n, 0.002) for n in (1, 2, 3)},
        **{
            f"exhaust temperature {n} [degC]": noisy(700.0 + SPEED / 40.0 + 5.0 * n, 1.5)
            for n in (1, 2, 3)
        },
    }
    return log.with_columns(pl.Series(name, values) for name, values in channels.items())


def scaled(column, factor):
    return lambda log: log.with_columns(pl.col(column) * pl.Series(factor * np.ones(len(SPEED))))


def raised(column, by):
    return lambda log: log.with_columns(pl.col(column) + pl.Series(by * np.ones(len(SPEED))))


def lift(log):
    """Lift in the middle: speed falls back by 800 rpm."""
    hollow = np.clip(1.0 - np.abs(ROWS - 80) / 12.0, 0.0, None)
    speed = SPEED - 800.0 * hollow
    return log.with_columns(
        pl.Series("engine speed [rpm]", speed),
        pl.Series("torque [N.m]", log["torque [N.m]"].to_numpy() * (1.0 - 0.8 * hollow)),
    ).drop("power [kW]")


def spike(log):
    torque = log["torque [N.m]"].to_numpy().copy()
    torque[70] += 60.0
    power = torque * SPEED * np.pi / 30_000.0
    return log.with_columns(pl.Series("torque [N.m]", torque), pl.Series("power [kW]", power))


def clip(log):
    values = np.minimum(log["manifold pressure [kPa abs]"].to_numpy(), 182.0)
    values[ROWS % 7 == 0] -= 0.4  # not stuck: at its limit most of the time
    return log.with_columns(pl.Series("manifold pressure [kPa abs]", values))


def pause(log):
    return log.with_columns(pl.col("time [s]") + pl.Series(np.where(ROWS > 80, 2.0, 0.0)))


# Check, severity, what is done to the log, words that must be in the message.
KINDS = {
    "ended early": (("ended_early", "void"), end_early, "others usually 2000 to"),
    "torque collapsed": (("torque_collapsed", "void"), collapse, "stays down"),
    "speed reversed": (("speed_reversed", "void"), lift, "rises again"),
    "fuel pressure lost": (
        ("fuel_pressure_lost", "void"),
        scaled("fuel pressure [kPa]", 1.0 - 0.4 * LATE),
        "falls by",
    ),
    "no torque": (
        ("no_torque", "void"),
        lambda log: log.drop("torque [N.m]", "power [kW]"),
        "torque",
    ),
    "flat-lined": (("flat_line", "doubtful"), stick, "does not move: rows"),
    "spiked": (("spiked", "doubtful"), spike, "first in row 71"),
    "saturated": (("saturated", "doubtful"), clip, "at its limit"),
    "clock gap": (("clock_gap", "doubtful"), pause, "before row 82"),
    "power and torque": (
        ("power_torque_mismatch", "doubtful"),
        scaled("power [kW]", 1.0139),
        "PS but labelled hp",
    ),
    "sweep rate": (("sweep_rate", "doubtful"), scaled("time [s]", 0.8), "rpm/s"),
    "hot start": (
        ("start_temperature", "doubtful"),
        raised("oil temperature [degC]", 15.0),
        "hotter than the other pulls of its session",
    ),
    "cold start": (
        ("start_temperature", "doubtful"),
        raised("oil temperature [degC]", -15.0),
        "colder than the other pulls of its session",
    ),
    "outside its band": (
        ("outside_band", "doubtful"),
        lambda log: log.with_columns(pl.col("torque [N.m]", "power [kW]") * 0.95),
        "far outside what pulls usually do",
    ),
    "fuel pressure falls": (("fuel_pressure_falls", "doubtful"), starve, "fall"),
    "oil pressure falls": (
        ("oil_pressure_falls", "doubtful"),
        scaled("oil pressure [kPa]", 1.0 - 0.3 * LATE),
        "while speed rises",
    ),
    "oil pressure low": (
        ("oil_pressure_low", "note"),
        scaled("oil pressure [kPa]", 0.35),
        "for every 1,000 rpm",
    ),
    "lean cylinder": (
        ("lean_cylinder", "note"),
        raised("lambda 2 [1]", 0.09 * LATE),
        "the leanest there is cylinder 2",
    ),
    "hot cylinder": (
        ("hot_cylinder", "note"),
        raised("exhaust temperature 3 [degC]", 90.0 * LATE),
        "cylinder 3 reaches",
    ),
}
DANGERS = {
    "fuel pressure lost": "melt pistons and valves",
    "fuel pressure falls": "melt pistons and valves",
    "oil pressure falls": "bearings fail",
    "oil pressure low": "bearings fail",
    "lean cylinder": "runs lean or hot",
    "hot cylinder": "runs lean or hot",
}


def file_of(session, order):
    return f"s{session}-{order}.csv"


def write_shop(folder, faults):
    """Write a session for each fault, which strikes its fourth pull, and three without any."""
    folder.mkdir()
    for session in range(len(faults) + 3):
        for order, setup in enumerate(RUN, start=1):
            seed = 10 * session + order
            fault = faults[session] if order == 4 and session < len(faults) else None

            def change(log, seed=seed, fault=fault):
                whole = equip(log, np.random.default_rng([1, seed]))
                return whole if fault is None else fault(whole)

            write_pull(
                folder,
                file_of(session, order),
                session=f"s{session}",
                setup=setup,
                seed=seed,
                change=change,
            )


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A warehouse of the shop with every fault, and what `check` says of it."""
    folder = tmp_path_factory.mktemp("kinds")
    write_shop(folder / "pulls", [fault for _, fault, _ in KINDS.values()])
    warehouse = ds.open_warehouse(folder / "shop.duckdb")
    report = warehouse.ingest(folder / "pulls")
    assert not report.refused
    return warehouse, warehouse.check()


def struck(shop, kind):
    return row_of(shop[0], file_of(list(KINDS).index(kind), 4))


def of_kind(shop, kind):
    """Return the finding that names a kind rightly."""
    pull, ((check, severity), _, _) = struck(shop, kind)["pull"], KINDS[kind]
    found = [one for one in shop[1].findings if (one.pull, one.check) == (pull, check)]
    assert found, of(shop[1], pull)
    assert {one.severity for one in found} == {severity}
    return found[0]


@pytest.mark.parametrize("kind", KINDS)
def test_the_kind_is_named_with_its_severity_and_its_reason(shop, kind):
    assert KINDS[kind][2] in of_kind(shop, kind).message


@pytest.mark.parametrize("kind", KINDS)
def test_void_pulls_are_left_out_and_all_others_stay(shop, kind):
    row = struck(shop, kind)
    void = KINDS[kind][0][1] == "void"
    assert row["state"] == ("excluded" if void else "accepted")
    assert not void or row["why"].startswith("void: ")


@pytest.mark.parametrize("kind", KINDS)
def test_a_danger_to_the_engine_is_said_first_and_of_nothing_else(shop, kind):
    finding = of_kind(shop, kind)
    assert finding.danger == (kind in DANGERS)
    assert finding.message.startswith("Danger to the engine: ") == (kind in DANGERS)
    assert DANGERS.get(kind, "") in finding.message


def test_no_other_pull_is_accused(shop):
    faulty = {struck(shop, kind)["pull"] for kind in KINDS}
    others = [
        (one.pull, one.check)
        for one in shop[1].findings
        if one.pull not in faulty and (one.severity != "note" or one.danger)
    ]
    assert others == []
    assert len(shop[1].pulls) == len(RUN) * (len(KINDS) + 3)


def test_limits_come_from_the_shop_s_own_history(shop):
    limits = dict(shop[1].limits.select("check", "source").rows())
    assert "robust SDs of" in limits["sweep rate"]
    assert "robust SDs of" in limits["oil pressure"]
    assert "robust SDs of" in limits["oil_temperature"]


def test_a_comparison_begins_with_the_dangers_and_tells_the_doubts(shop):
    found = shop[0].compare(baseline="A", candidate="B")
    lean, hot = (struck(shop, kind)["pull"] for kind in ("lean cylinder", "hot cylinder"))
    warned = [text for text in found.warnings if "Danger to the engine" in text]
    assert len(warned) == 3  # fuel, oil, cylinders: each once
    assert list(found.warnings[:3]) == warned
    (cylinders,) = (text for text in warned if "runs lean or hot" in text)
    assert lean in cylinders.split(":")[0]
    assert hot in cylinders.split(":")[0]
    assert "the leanest there is cylinder 2" in cylinders
    assert "rpm" in cylinders
    (doubt,) = (text for text in found.warnings if "of this study are doubtful" in text)
    assert struck(shop, "spiked")["pull"] in doubt
    assert "Without them the verdict" in doubt
    void = {struck(shop, kind)["pull"] for kind in KINDS if KINDS[kind][0][1] == "void"}
    used = found.pull_table.filter(state="accepted")["pull"]
    assert not void & set(used)
