"""The named queries on pulls whose numbers are known: not only columns, the answers."""

from __future__ import annotations

import math
import statistics
from datetime import date, datetime

import pytest
from cookbook_pulls import shop

from dynostats.warehouse import open_store

MOST_KW = 3950.0 * math.pi / 30000.0  # power of 1 N.m at the last speed


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """A warehouse with those pulls, what a setup was changed from, and a declared question."""
    path = tmp_path_factory.mktemp("cookbook") / "shop.duckdb"
    with open_store(path, write=True) as opened:
        opened.add(shop())
        opened.describe_setup(
            "QB-1",
            "deep",
            relative_to="base",
            changed="  Charge  Cooler: deeper",
            why="asked",
            who="test",
        )
        yield opened


def test_peak_power_has_its_pulls_behind_it(store):
    rows = store.query("peak_power", {"engine": "QB-1"}).rows(named=True)
    assert [(r["setup"], r["pulls"], r["sessions"]) for r in rows] == [
        ("deep", 1, 1),
        ("base", 5, 2),
    ]
    peaks = [level * MOST_KW for level in (100.0, 102.0, 99.0, 104.0, 108.0)]
    assert rows[1]["mean_peak_kw"] == pytest.approx(statistics.mean(peaks), rel=1e-12)
    assert rows[1]["sd_peak_kw"] == pytest.approx(statistics.stdev(peaks), rel=1e-12)
    assert rows[0]["sd_peak_kw"] is None
    assert (rows[1]["mean_peak_rpm"], rows[1]["from_rpm"], rows[1]["to_rpm"]) == (
        3950.0,
        2200.0,
        3950.0,
    )


def test_cross_products_are_sums_of_deviations_within_setup_and_session(store):
    rows = store.query("cross_products", {"engine": "QB-1", "step": 1000.0})
    assert rows.select("rpm", "other_rpm").rows() == [
        (2000.0, 2000.0),
        (2000.0, 3000.0),
        (3000.0, 3000.0),
    ]
    monday = [math.log(x) for x in (100.0, 102.0, 99.0)]
    tuesday = [math.log(x) for x in (104.0, 108.0)]
    of_monday = 2 * statistics.variance(monday)
    # The last pull of tuesday starts at 2200 rpm, so at 2000 rpm its session repeats nothing.
    assert rows.select("pulls", "df").rows() == [(3, 2), (3, 2), (5, 3)]
    assert rows["cross_product"].to_list() == pytest.approx(
        [of_monday, of_monday, of_monday + statistics.variance(tuesday)], rel=1e-9
    )


def test_the_drift_of_the_reference_is_by_session_and_on_logs(store):
    rows = store.query("reference_drift", {"engine": "QB-1", "setup": "base"}).rows(named=True)
    monday = [math.log(x) for x in (100.0, 102.0, 99.0)]
    tuesday = [math.log(x) for x in (104.0, 108.0)]
    means = [statistics.mean(monday), statistics.mean(tuesday)]
    assert [(r["session"], r["pulls"]) for r in rows] == [("monday", 3), ("tue", 2)]
    assert [r["change_pct"] for r in rows] == pytest.approx(
        [100 * math.expm1(m - statistics.mean(means)) for m in means], rel=1e-9
    )
    assert rows[0]["pull_sd_pct"] == pytest.approx(100 * statistics.stdev(monday), rel=1e-9)
    assert rows[0]["mean_torque"] == pytest.approx(301 / 3, rel=1e-12)


def test_sessions_are_ranked_by_their_pooled_noise(store):
    rows = store.query("session_noise").rows(named=True)
    logs = {
        "s1": (50.0, 51.0),
        "monday": (100.0, 102.0, 99.0),
        "tue": (104.0, 108.0),
    }
    expected = {
        name: 100 * statistics.stdev([math.log(x) for x in levels]) for name, levels in logs.items()
    }
    assert [r["session"] for r in rows] == sorted(expected, key=expected.__getitem__)
    assert {r["session"]: r["pull_sd_pct"] for r in rows} == pytest.approx(expected, rel=1e-9)
    assert {r["session"]: r["pull_df"] for r in rows} == {"s1": 1, "monday": 2, "tue": 1}
    assert store.query("session_noise", {"least_df": 2})["session"].to_list() == ["monday"]


def test_a_lean_cylinder_is_held_against_the_others_that_were_logged(store):
    (row,) = store.query("lean_cylinders").rows(named=True)
    assert (row["pull"], row["cylinder"], row["state"]) == ("P5", 3, "accepted")
    assert row["worst_excess"] == pytest.approx(0.05, abs=1e-12)
    assert (row["from_rpm"], row["to_rpm"]) == (3000.0, 3950.0)
    assert store.query("lean_cylinders", {"least": 0.06}).is_empty()


def test_cooler_loss_is_the_pressure_between_compressor_and_manifold(store):
    rows = store.query("cooler_loss").rows(named=True)
    assert [(r["setup"], r["pulls"], r["mean_loss_kpa"]) for r in rows] == [
        ("deep", 1, 9.0),
        ("base", 2, 6.0),
    ]
    assert [r["mean_loss_pct"] for r in rows] == pytest.approx([4.5, 3.0], rel=1e-12)
    assert [r["sd_loss_kpa"] for r in rows] == [None, 0.0]
    assert store.query("cooler_loss", {"low": 9000.0}).is_empty()


def test_charge_recovery_follows_a_session_in_its_order(store):
    rows = store.query("charge_recovery", {"session": "monday"}).rows(named=True)
    assert [r["pull"] for r in rows] == ["P1", "P2", "P3"]
    assert [r["pause_min"] for r in rows] == [None, 12.0, 12.0]
    assert [r["above_first_k"] for r in rows] == [0.0, 0.0, 3.0]
    assert [r["rise_k"] for r in rows] == pytest.approx([10.0] * 3, rel=1e-12)


def test_the_air_is_told_by_month_whatever_reading_is_missing(store):
    (row,) = store.query("ambient_by_month").rows(named=True)
    assert (row["dyno"], row["month"], row["pulls"]) == ("c1", date(2025, 3, 1), 6)
    assert row["mean_pressure_kpa"] == pytest.approx((4 * 98.0 + 2 * 101.0) / 6, rel=1e-12)
    assert (row["low_temperature_c"], row["high_temperature_c"]) == (10.0, 30.0)
    assert row["mean_humidity_pct"] == 40.0


def test_engines_are_counted_by_what_they_teach(store):
    rows = store.query("engine_repeats").select(
        "engine", "dyno", "setups", "sessions", "pulls", "pull_df", "other_days"
    )
    assert rows.rows() == [
        ("QB-1", "c1", 2, 2, 6, 3, 1),
        ("QB-2", None, 1, 1, 2, 1, 0),
        ("other", "c2", 1, 1, 1, 0, 0),
    ]


def test_a_sensor_that_stood_still_is_named_with_where(store):
    (row,) = [r for r in store.query("flat_sensors").rows(named=True) if r["engine"] == "other"]
    assert (row["channel"], row["speeds"], row["value"]) == ("oil_pressure", 40, 320.0)
    assert row["still_share"] == pytest.approx(19 / 39, rel=1e-12)
    assert row["from_rpm"] == 2000.0 + 21 * 50.0
    assert "oil_pressure" not in store.query("flat_sensors", {"least": 0.5})["channel"].to_list()


def test_warm_up_compares_a_setup_with_itself_in_one_session(store):
    rows = {(r["dyno"], r["order"]): r for r in store.query("warm_up").rows(named=True)}
    monday = [math.log(x) for x in (100.0, 102.0, 99.0)]
    tuesday = [math.log(x) for x in (104.0, 108.0)]
    first = [monday[0] - statistics.mean(monday), tuesday[0] - statistics.mean(tuesday)]
    one = rows["c1", 1]
    assert one["pulls"] == 2
    assert one["mean_change_pct"] == pytest.approx(100 * math.expm1(statistics.mean(first)))
    assert one["sd_pct"] == pytest.approx(100 * statistics.stdev(first))
    assert ("c1", 3) not in rows  # a setup pulled once there tells nothing of the order
    assert (rows["c1", 4]["pulls"], rows["c1", 4]["sd_pct"]) == (1, None)


def test_sweep_rates_are_held_against_the_usual_one(store):
    rows = {r["pull"]: r for r in store.query("sweep_rates", {"engine": "QB-1"}).rows(named=True)}
    assert rows["P1"]["mean_rate_rpm_s"] == pytest.approx(1950.0 / 5.0)
    assert rows["P4"]["mean_rate_rpm_s"] == pytest.approx(1950.0 / 4.0)
    assert rows["P4"]["from_usual_pct"] == pytest.approx(25.0)
    assert rows["P6"]["seconds"] == pytest.approx(5.0 * 35 / 39)
    assert rows["P6"]["from_usual_pct"] == pytest.approx(0.0, abs=1e-9)


def test_channels_are_counted_by_year(store):
    rows = {
        (r["year"], r["channel"]): (r["pulls"], r["of_pulls"], r["share_pct"])
        for r in store.query("channel_coverage").rows(named=True)
    }
    assert rows[2024, "torque"] == (1, 1, 100.0)
    assert rows[2025, "torque"][:2] == (6, 6)


def test_a_family_of_engines_is_laid_side_by_side_where_all_reach(store):
    asked = {"family": "qb", "low": 2000.0, "high": 3950.0}
    whole = store.query("engine_family", asked)
    assert whole["pull"].to_list() == ["P1", "P2", "P3", "P4", "P5", "P7", "P8"]
    assert whole["speeds"].unique().to_list() == [40]
    assert whole["mean_torque"].to_list()[:2] == pytest.approx([100.0, 102.0])
    assert whole["mean_power"][0] == pytest.approx(100.0 * 2975.0 * math.pi / 30000.0)
    assert "P6" in store.query("engine_family", asked | {"low": 2200.0})["pull"].to_list()


def test_past_studies_say_what_was_changed_and_its_kind(store):
    (row,) = store.query("past_studies").rows(named=True)
    assert (row["baseline"], row["candidate"], row["kind"]) == ("base", "deep", "charge cooler")
    assert (row["baseline_pulls"], row["candidate_pulls"], row["shared_sessions"]) == (5, 1, 1)
    assert row["first_started"] == datetime(2025, 3, 3, 9, 24)  # noqa: DTZ001 - the shop's clock
    assert row["declaration_no"] is None
    assert store.query("past_studies", {"kind": "Charge Cooler"}).height == 1
    assert store.query("past_studies", {"kind": "exhaust"}).is_empty()
