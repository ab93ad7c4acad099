from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from dynostats.simulate import demo_shop, write_demo
from dynostats.simulate.__main__ import main
from dynostats.simulate.scenario import ENGINES, SETUPS

COMMITTED = Path(__file__).parents[2] / "datasets" / "demo"
CONTRACT_SHEET = [
    "file",
    "engine",
    "dyno",
    "session",
    "setup",
    "order",
    "started",
    "ambient_pressure [kPa]",
    "ambient_temperature [degC]",
    "relative_humidity [%]",
    "notes",
]


@pytest.fixture(scope="module")
def shop():
    return demo_shop()


@pytest.fixture(scope="module")
def folder(shop, tmp_path_factory):
    out = tmp_path_factory.mktemp("demo")
    write_demo(shop, out)
    return out


def pulls_of(shop, session):
    return [pull for pull in shop.pulls if pull.session == session]


def test_regenerating_gives_the_committed_bytes(folder):
    made = {path.name: path.read_bytes() for path in folder.iterdir()}
    kept = {path.name: path.read_bytes() for path in COMMITTED.iterdir()}
    assert sorted(made) == sorted(kept)
    assert [name for name in made if made[name] != kept[name]] == []


def test_the_committed_copy_is_small():
    assert sum(path.stat().st_size for path in COMMITTED.iterdir()) < 3_000_000


def test_the_study_is_three_and_three_with_a_void_pull(shop):
    study = shop.questions[0]
    pulls = pulls_of(shop, study.session)
    void = shop.void_pulls()
    assert [pull.file for pull in void] == ["T08-03.csv"]
    assert "aborted" in void[0].notes
    assert Counter(pull.setup for pull in pulls if pull not in void) == {
        "outlet-54": 3,
        "outlet-70": 3,
    }


def test_the_history_lets_noise_be_learned(shop):
    history = [pull for pull in shop.pulls if pull.session != shop.questions[0].session]
    assert len(history) >= 40
    assert len({pull.session for pull in history}) == 14
    repeated = Counter((pull.engine, pull.setup) for pull in history)
    assert repeated["QB-21T", "outlet-54"] >= 12
    sessions = {p.session for p in history if (p.engine, p.setup) == ("QB-21T", "outlet-54")}
    assert len(sessions) >= 5


def test_truths_are_what_the_scenario_promises(shop):
    outlet, timing, oil = shop.truths
    assert outlet.effect_pct == pytest.approx(2.4, abs=0.15)
    effect = outlet.curve["effect_pct"].to_numpy()
    assert effect[0] < 0.5
    assert 4.0 < effect[-1] < 5.5
    assert outlet.parts_log_pct["rest"] == pytest.approx(outlet.effect_pct, abs=0.3)
    assert timing.effect_pct == pytest.approx(0.35, abs=0.1)
    assert abs(oil.effect_pct) < 0.1


def test_the_noise_is_of_the_size_promised(shop):
    noise = next(noise for noise in shop.noises if noise.engine == "QB-21T").to_dict()
    assert noise["pull_sd_pct"] == pytest.approx(0.40, abs=0.03)
    assert noise["session_sd_pct"] == pytest.approx(0.50, abs=0.05)
    assert noise["drift_pct_per_pull"] == pytest.approx(-0.10, abs=0.02)


def test_one_label_is_wrong_and_the_truth_says_which(shop, folder):
    wrong = [pull for pull in shop.pulls if pull.setup != pull.fitted]
    assert [(pull.file, pull.setup, pull.fitted) for pull in wrong] == [
        ("T03-02.csv", "outlet-54", "deep-core")
    ]
    truth = json.loads((folder / "truth.json").read_text("utf-8"))
    assert truth["wrong_labels"] == [
        {"file": "T03-02.csv", "sheet": "outlet-54", "fitted": "deep-core"}
    ]


def test_the_wrong_label_shows_in_the_channels(shop):
    # The deeper core loses 1.6 times the pressure: far more than four SDs of the noise of a mean.
    losses = [mean_loss(pull) for pull in pulls_of(shop, "T03")]
    assert losses[1] > 1.4 * losses[0]
    assert losses[2] == pytest.approx(losses[0], rel=0.05)


def mean_loss(pull):
    rising = pull.samples.filter(pull.samples["throttle"] > 99.0)
    return (rising["compressor_out_pressure"] - rising["manifold_pressure"]).mean()


def test_one_sensor_is_flat(folder):
    values = pl.read_csv(folder / "T05-02.csv")["charge_temperature [degC]"]
    assert values[-100:].n_unique() == 1
    truth = json.loads((folder / "truth.json").read_text("utf-8"))
    assert {"file": "T05-02.csv", "kind": "flat_line", "channel": "charge_temperature"} in truth[
        "faults"
    ]


def test_the_sheet_has_the_contracts_columns_and_names_every_log(shop, folder):
    sheet = pl.read_csv(folder / "sheet.csv")
    assert sheet.columns == [*CONTRACT_SHEET[:-1], "relative_to", "changed", CONTRACT_SHEET[-1]]
    assert sheet["file"].to_list() == [pull.file for pull in shop.pulls]
    assert all((folder / name).is_file() for name in sheet["file"])


def test_pulls_run_in_order_of_time(shop):
    started = [pull.started for pull in shop.pulls]
    assert started == sorted(started)
    for session in {pull.session for pull in shop.pulls}:
        orders = [pull.order for pull in pulls_of(shop, session)]
        assert orders == list(range(1, len(orders) + 1))


def test_every_setup_and_engine_is_described(shop):
    assert {pull.fitted for pull in shop.pulls} | {pull.setup for pull in shop.pulls} <= set(SETUPS)
    assert {pull.engine for pull in shop.pulls} == set(ENGINES)
    assert all(setup.changed for setup in SETUPS.values())


def test_the_second_cell_writes_semicolons_and_decimal_commas(folder):
    header, row = (folder / "N01-01.csv").read_text("utf-8").splitlines()[:2]
    assert header.count(";") == row.count(";") > 10
    assert "," in row
    assert "." not in row.replace(";", "")


def test_written_power_is_written_torque_times_speed(folder):
    log = pl.read_csv(folder / "T08-01.csv")
    reckoned = log["torque [N.m]"] * log["engine_speed [rpm]"] * np.pi / 30_000.0
    # 0.005 N.m and 0.05 rpm of rounding are at most 0.006 kW here.
    assert (reckoned - log["power [kW]"]).abs().max() < 0.007


def test_the_truth_file_is_plain_json(folder):
    truth = json.loads((folder / "truth.json").read_text("utf-8"))
    assert [question["name"] for question in truth["questions"]] == ["outlet", "timing", "oil"]
    assert [question["honest_verdict"] for question in truth["questions"]] == [
        "gain",
        "undecided",
        "no_meaningful_change",
    ]
    assert truth["void"] == [
        {
            "file": "T08-03.csv",
            "why": "boost hose came off at about 4600 rpm, pull aborted, hose refitted",
        }
    ]


def test_another_seed_gives_another_shop(shop):
    other = demo_shop(seed=shop.seed + 1)
    assert [pull.file for pull in other.pulls] == [pull.file for pull in shop.pulls]
    assert not other.pulls[0].samples.equals(shop.pulls[0].samples)


def test_the_module_writes_from_the_command_line(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("sys.argv", ["simulate", str(tmp_path / "made"), "--first-comparison"])
    main()
    assert (tmp_path / "made" / "sheet.csv").is_file()
    assert capsys.readouterr().out == f"11 files written to {tmp_path / 'made'}\n"
