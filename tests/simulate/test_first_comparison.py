from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from dynostats.simulate import write_first_comparison

COMMITTED = Path(__file__).parents[2] / "datasets" / "first_comparison"


def torque(session, orders):
    logs = [pl.read_csv(COMMITTED / f"{session}_{order}.csv") for order in orders]
    return np.array([log["Torque (lb-ft)"].to_numpy() for log in logs])


def test_regenerating_gives_the_committed_bytes(tmp_path):
    written = write_first_comparison(tmp_path)
    assert len(written) == 11
    for path in written:
        assert path.read_bytes() == (COMMITTED / path.name).read_bytes(), path.name


def test_the_change_is_three_percent_at_every_speed_by_hand():
    # Geometric means of the two pulls of each setup; two decimals of 200 lb-ft are 0.0025% each.
    before = np.sqrt(np.prod(torque("may-16", (1, 4)), axis=0))
    after = np.sqrt(np.prod(torque("may-16", (2, 3)), axis=0))
    np.testing.assert_allclose(after / before, 1.03, atol=5e-5)


def test_pulls_of_one_setup_differ_like_pulls_do():
    for session, orders in (("may-02", (1, 2, 3)), ("may-09", (1, 2, 3)), ("may-16", (1, 4))):
        sd_pct = 100.0 * np.log(torque(session, orders)).std(axis=0, ddof=1)
        assert 0.03 < np.sqrt(np.mean(sd_pct**2)) < 0.8


def test_power_is_torque_times_speed_over_5252():
    # T [lb-ft] x n / 5252 in hp: common practice, no published source.
    for path in COMMITTED.glob("may-*.csv"):
        log = pl.read_csv(path)
        reckoned = log["Torque (lb-ft)"] * log["RPM"] / 5252.0
        assert (reckoned - log["Power (hp)"]).abs().max() < 0.02


def test_headers_are_those_of_the_trade():
    assert pl.read_csv(COMMITTED / "may-16_1.csv").columns == [
        "Time (s)",
        "RPM",
        "Torque (lb-ft)",
        "Power (hp)",
        "Boost (psi)",
    ]


def test_the_sheet_names_every_log():
    sheet = pl.read_csv(COMMITTED / "sheet.csv")
    assert sorted(sheet["file"]) == sorted(path.name for path in COMMITTED.glob("may-*.csv"))
    assert sheet.filter(session="may-16")["setup"].to_list() == [
        "standard",
        "short-hose",
        "short-hose",
        "standard",
    ]
    assert sheet["ambient_pressure [inHg]"].to_list() == pytest.approx(
        [29.31] * 3 + [29.24] * 3 + [29.28] * 4
    )
