"""Search by shape on curves whose distances are reckoned by hand."""

from __future__ import annotations

import math

import polars as pl
import pytest
from made_pulls import ROWS, make_pull

from dynostats.warehouse import open_store

RPM = [2000.0 + 50.0 * i for i in range(ROWS)]
TILT = [(-1.0) ** i for i in range(ROWS)]  # mean 0, mean square 1


def pull(file, *, level=0.0, tilt=0.0, first=0, last=ROWS, boost=150.0, **labels):
    """Return a pull whose log torque is ln 200 + level + tilt x (±1)."""
    curve = pl.DataFrame(
        {
            "rpm": RPM,
            "torque": [200.0 * math.exp(level + tilt * t) for t in TILT],
            "manifold_pressure": [boost] * ROWS,
            "charge_temperature": [30.0 + 0.1 * i for i in range(ROWS)],
        }
    )[first:last]
    made = make_pull(file, **labels)
    return type(made)(**{f: getattr(made, f) for f in made.__slots__} | {"curve": curve})


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """P1 is asked for; the others differ from it by known amounts."""
    path = tmp_path_factory.mktemp("similar") / "shop.duckdb"
    air = {"ambient_pressure_kpa": 100.0, "ambient_temperature_c": 20.0}
    warm = {"ambient_pressure_kpa": 98.0, "ambient_temperature_c": 30.0}
    with open_store(path, write=True) as opened:
        opened.add(
            [
                pull("1.csv", torque=1.0, **air),
                pull("2.csv", torque=2.0, level=0.10, boost=160.0, **warm),  # same shape, +10.5%
                pull("3.csv", torque=3.0, tilt=0.01, boost=153.0, **air),  # 1% shape
                pull("4.csv", torque=4.0, level=0.02, tilt=0.02, **warm),  # 2% shape, 2% level
                pull("5.csv", torque=5.0, first=20),  # half the speeds
                pull("6.csv", torque=6.0, first=8, engine="other", level=0.001),  # 32 of 40
                pull("7.csv", torque=7.0, void="no rise"),
            ]
        )
        yield opened


def test_shape_takes_the_level_out(store):
    rows = store.query("similar_pulls", {"pull": "P1"}).rows(named=True)
    # P2 and P6 have the very same shape: which comes first is rounding.
    assert {r["pull"] for r in rows[:2]} == {"P2", "P6"}
    assert [r["pull"] for r in rows[2:]] == ["P3", "P4"]
    by_pull = {r["pull"]: r for r in rows}
    assert by_pull["P2"]["shape_pct"] == pytest.approx(0.0, abs=1e-7)
    assert by_pull["P2"]["level_pct"] == pytest.approx(100 * math.expm1(0.10), rel=1e-10)
    assert by_pull["P2"]["whole_pct"] == pytest.approx(10.0, rel=1e-10)
    assert by_pull["P3"]["shape_pct"] == pytest.approx(1.0, rel=1e-9)
    assert by_pull["P4"]["whole_pct"] == pytest.approx(100 * math.hypot(0.02, 0.02), rel=1e-9)
    assert {r["compared"] for r in rows} == {4}


def test_level_keeps_it(store):
    found = store.query("similar_pulls", {"pull": "P1", "by": "level"})
    assert found["pull"].to_list() == ["P6", "P3", "P4", "P2"]


def test_a_pull_must_cover_enough_and_says_how_much(store):
    rows = {
        r["pull"]: r
        for r in store.query("similar_pulls", {"pull": "P1", "least_overlap": 0.5}).rows(named=True)
    }
    assert rows["P5"]["overlap"] == pytest.approx(0.5)
    assert (rows["P5"]["from_rpm"], rows["P5"]["speeds"]) == (3000.0, 20)
    assert rows["P6"]["overlap"] == pytest.approx(0.8)
    narrowed = store.query("similar_pulls", {"pull": "P1", "low": 3000.0, "high": 3900.0})
    assert set(narrowed["pull"]) == {"P2", "P3", "P4", "P5", "P6"}
    assert set(narrowed["speeds"]) == {19}


def test_labels_narrow_it_and_only_accepted_pulls_count(store):
    assert store.query("similar_pulls", {"pull": "P1", "engine": "other"})["pull"].to_list() == [
        "P6"
    ]
    everything = store.query("similar_pulls", {"pull": "P1", "least_overlap": 0.01})
    assert "P7" not in everything["pull"].to_list()
    assert store.query("similar_pulls", {"pull": "P1", "most": 1}).height == 1


def test_channels_are_compared_in_sds(store):
    asked = {
        "pull": "P1",
        "channels": ["manifold_pressure", "charge_temperature"],
        "sds": [2.0, 0.5],
        "low": 2000.0,
        "high": 3950.0,
    }
    rows = {r["pull"]: r for r in store.query("store/near_channels", asked).rows(named=True)}
    assert set(rows) == {"P2", "P3", "P4", "P6"}
    assert rows["P2"]["channels"] == ["charge_temperature", "manifold_pressure"]
    assert rows["P2"]["differences"] == pytest.approx([0.0, 10.0], abs=1e-12)
    assert rows["P2"]["distances"] == pytest.approx([0.0, 5.0], abs=1e-12)
    assert rows["P2"]["distance"] == pytest.approx(5.0 / math.sqrt(2.0))
    assert rows["P3"]["distance"] == pytest.approx(1.5 / math.sqrt(2.0))


def test_conditions_are_compared_in_sds_of_all_pulls(store):
    rows = store.query("store/near_conditions", {"pull": "P1"}).rows(named=True)
    # Of P5 and P6 the air is not known: they cannot be held against P1.
    assert [r["pull"] for r in rows] == ["P3", "P2", "P4"]
    assert rows[0]["distance"] == 0.0
    assert rows[1]["differences"] == pytest.approx([-2.0, 10.0, 0.0])
    # Pressures 100, 98, 100, 98: SD sqrt(4/3); temperatures likewise times 5; starts as of P1.
    far = [-2 / math.sqrt(4 / 3), 10 / math.sqrt(100 / 3), 0.0]
    assert rows[1]["distances"] == pytest.approx(far)
    assert rows[1]["distance"] == pytest.approx(math.sqrt(sum(x * x for x in far) / 3))
