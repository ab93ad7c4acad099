"""Slow sensors aligned by a stated lag."""

from __future__ import annotations

import doctest
from pathlib import Path

import numpy as np
import polars as pl
import pytest

import dynostats as ds
from dynostats.curves import Sweep, align_channels, curve_of, lag
from dynostats.errors import InputError
from dynostats.ingest import load_channel_table

CLOCK = np.arange(0.0, 10.0, 0.05)
SPEED = 2000.0 + 400.0 * CLOCK


def mixture(time):
    return 0.95 - 0.02 * time + 0.02 * np.sin(time)


def late_log(by=0.35):
    """Return a sweep of 400 rpm/s whose lambda sensors read late."""
    return pl.DataFrame(
        {
            "time": CLOCK,
            "engine_speed": SPEED,
            "torque": np.full(len(CLOCK), 300.0),
            "lambda": mixture(CLOCK - by),
            "lambda_2": mixture(CLOCK - by),
        }
    )


def test_a_stated_lag_brings_a_channel_to_the_speed_it_belongs_to():
    whole = Sweep(first_row=0, last_row=len(CLOCK) - 1)
    aligned = align_channels(late_log(), {"lambda": 0.35})
    true = curve_of(late_log(by=0.0), whole)
    found = curve_of(aligned.samples, whole)
    late = curve_of(late_log(), whole)
    inner = slice(4, -8)
    for name in ("lambda", "lambda_2"):  # the lag of a channel is that of its numbered ones
        np.testing.assert_allclose(
            found[name].to_numpy()[inner], true[name].to_numpy()[inner], atol=1e-4
        )
        assert np.abs(late[name].to_numpy() - true[name].to_numpy())[inner].max() > 0.005
    assert found["torque"].equals(true["torque"])
    assert "lambda reads 0.35 s late" in aligned.findings[0]


def test_what_the_log_ends_before_is_missing():
    aligned = align_channels(late_log(), {"lambda": 0.35}).samples["lambda"]
    assert aligned[-7:].null_count() == 7
    assert aligned[:-7].null_count() == 0


def test_a_gap_is_not_bridged():
    holed = late_log().with_columns(
        pl.when(pl.col("time").is_between(4.0, 6.0)).then(None).otherwise("lambda").alias("lambda")
    )
    aligned = align_channels(holed, {"lambda": 0.35}).samples
    within = pl.col("time").is_between(3.69, 5.61)
    assert aligned.filter(within)["lambda"].is_null().all()
    assert aligned.filter(~within & (pl.col("time") < 9.6))["lambda"].null_count() <= 3


def test_without_a_clock_a_late_channel_has_no_curve():
    aligned = align_channels(late_log().drop("time"), {"lambda": 0.35})
    assert aligned.samples["lambda"].null_count() == len(CLOCK)
    assert "no clock" in aligned.findings[0]


def test_without_lags_nothing_is_touched():
    log = late_log()
    assert align_channels(log, {}).samples is log
    assert align_channels(log, {"exhaust_temperature": 1.0}).samples is log


def test_the_example_holds():
    assert doctest.testmod(lag).failed == 0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[lambda]\nlag = "long"', "lag is 'long'"),
        ("[lambda]\nlag = -0.2", "lag is -0.2"),
        ("[lambda]\nlag = 20", "lag is 20"),
        ("[lambda]\nlag = true", "lag is True"),
        ('[oil_pressure]\nlag = "estimate"', "oil_pressure cannot be estimated"),
        ("[engine_speed]\nlag = 0.2", "cannot have a lag"),
    ],
)
def test_a_lag_that_cannot_be_is_refused(tmp_path, text, words):
    file = tmp_path / "channels.toml"
    file.write_text(text)
    with pytest.raises(InputError, match=words) as refused:
        load_channel_table(file)
    assert refused.value.mend


def test_the_channel_file_of_an_ingest_states_a_lag(tmp_path):
    logs = tmp_path / "pulls"
    logs.mkdir()
    titles = {"torque": "torque [N.m]"}
    late_log().drop("lambda_2").rename(titles).write_csv(logs / "one.csv")
    (logs / "sheet.csv").write_text("file,engine,session,setup\none.csv,mill,monday,stock\n")
    file = Path(tmp_path / "channels.toml")
    file.write_text("[lambda]\nlag = 0.35\n")
    with ds.open_warehouse(tmp_path / "shop.duckdb") as warehouse:
        assert not warehouse.ingest(logs, channels=file).refused
        sql = 'select rpm, "lambda" as mixture from curves where rpm between 2500 and 5000'
        curve = warehouse.query(sql).frame.sort("rpm")
        assert curve.height == 51
        expected = mixture((curve["rpm"].to_numpy() - 2000.0) / 400.0)
        # The kernel rounds bends by f'' h^2 / 10 = (0.02 / 400^2) 150^2 / 10 = 2.8e-4 at most.
        np.testing.assert_allclose(curve["mixture"], expected, rtol=0.0, atol=2.9e-4)
        told = warehouse.query("findings").frame.filter(check="lag")
        assert "0.35 s late" in told["message"][0]
        stored = warehouse.query('select "lambda" from samples order by sample limit 1').frame
        assert stored.item() == pytest.approx(mixture(-0.35))  # as the file has it
