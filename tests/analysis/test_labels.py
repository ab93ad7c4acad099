"""Do the data look like the setup on the label, like another one, or like none."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from acceptance_frames import RPM, course, history

from dynostats.analysis.acceptance import judge_labels, read_signatures
from dynostats.analysis.acceptance.mount import read_mounts

SESSIONS = ("AAA", "ABBA", "ABA", "AA", "ABAB", "AA")


def fit_b(channels, size=1.0):
    """Fit setup B: a charge cooler with more loss and cooler charge; torque hardly changes."""
    channels["manifold_pressure"] = channels["manifold_pressure"] - 2.0 * size
    channels["charge_temperature"] = channels["charge_temperature"] - 4.0 * size


def shop(*runs, wrong=(), all_day=(), size=1.0, also=None, seed=0):
    """Return a history in which setup B is fitted, save that some labels are wrong."""

    def change(channels, setup, place):
        fitted = {"A": "B", "B": "A"}[setup] if place in wrong or place[0] in all_day else setup
        if fitted == "B":
            fit_b(channels, size)
        if also is not None:
            also(channels, place)

    return history(*(runs or SESSIONS), change=change, seed=seed)


def judge(pulls, curves):
    (mount,) = read_mounts(pulls, curves)
    return judge_labels(mount.pulls, read_signatures(mount), mount.accepted)


def told(judgement):
    return {(one.pull, one.check) for one in judgement.findings}


def test_right_labels_are_left_alone():
    judgement = judge(*shop())
    assert judgement.findings == ()
    assert judgement.cannot_tell == ""
    assert judgement.table["pull"].n_unique() == judgement.table.height == 18
    assert judgement.table["probability"].min() > 0.9
    total = pl.sum_horizontal("probability", "probability_other", "probability_unknown")
    assert judgement.table.select(total).to_series().to_list() == pytest.approx([1.0] * 18)


@pytest.mark.parametrize("place", [(0, 1), (1, 2), (2, 3), (3, 2), (4, 4)])
def test_a_wrong_label_is_found_and_the_right_one_named(place):
    name = f"mill{place[0]}-{place[1]}"
    judgement = judge(*shop(wrong=[place]))
    (finding,) = judgement.findings
    label = SESSIONS[place[0]][place[1] - 1]
    other = {"A": "B", "B": "A"}[label]
    assert (finding.pull, finding.check) == (name, "label_other_setup")
    assert finding.severity == "doubtful"
    assert f"label says '{label}', but the data look like '{other}'" in finding.message
    assert "charge temperature rise" in finding.message
    assert "sheet" in finding.message
    assert f'dynostats amend {name} "setup={other}" --why' in finding.message
    row = judgement.table.row(by_predicate=pl.col("pull") == name, named=True)
    assert (row["setup"], row["looks_like"]) == (label, other)
    assert row["probability"] < 0.01


@pytest.mark.parametrize("wrong", [[(1, 1), (1, 2)], [(0, 2), (4, 2)], [(2, 1), (3, 1)]])
def test_two_wrong_labels_do_not_hide_each_other(wrong):
    expected = {(f"mill{session}-{order}", "label_other_setup") for session, order in wrong}
    assert told(judge(*shop(wrong=wrong))) == expected


@pytest.mark.parametrize(("seed", "size"), [(7, 0.25), (11, 0.2), (20, 0.2)])
def test_lines_put_on_each_other_are_found_where_one_wrong_line_would_not_be(seed, size):
    swapped = [(1, 1), (1, 2)]
    judgement = judge(*shop(wrong=swapped, size=size, seed=seed))
    names = {f"mill{session}-{order}" for session, order in swapped}
    assert told(judgement) == {(name, "label_other_setup") for name in names}
    for finding in judgement.findings:
        (partner,) = names - {finding.pull}
        assert f"Those of {partner} look like" in finding.message
        assert "stand on each other's line" in finding.message
    alone = [judge(*shop(wrong=[place], size=size, seed=seed)) for place in swapped]
    assert [] in [list(one.findings) for one in alone]
    assert told(judge(*shop(size=size, seed=seed))) == set()


def test_one_wrong_line_is_not_told_as_an_exchange():
    (finding,) = judge(*shop(wrong=[(1, 1)])).findings
    assert "each other's line" not in finding.message


def test_a_wrong_part_all_day_is_found_on_all_its_pulls():
    judgement = judge(*shop(*SESSIONS, "AAA", all_day=[6]))
    assert told(judgement) == {(f"mill6-{n}", "label_other_setup") for n in (1, 2, 3)}
    assert "All 3 pulls of it in this session" in judgement.findings[0].message


@pytest.mark.parametrize("seed", range(4))
def test_data_of_no_known_setup_name_the_quantity(seed):
    def drift(channels, place):
        if place == (3, 1):
            channels["charge_temperature"] = channels["charge_temperature"] + 9.0

    (finding,) = judge(*shop(also=drift, seed=seed)).findings
    assert (finding.pull, finding.check) == ("mill3-1", "label_no_known_setup")
    assert finding.severity == "doubtful"
    rise = float(finding.message.split("charge temperature rise ")[1].split(" K")[0])
    assert rise == pytest.approx(9.0, abs=1.0)  # a pull's own noise is 0.2 K
    assert "sensors named" in finding.message


def test_what_torque_alone_says_is_a_note_with_a_caution():
    def only_torque(channels, setup, place):
        fitted_b = (setup == "B") != (place == (2, 2))
        channels["torque"] = channels["torque"] * (1.03 if fitted_b else 1.0)

    (finding,) = judge(*history(*SESSIONS, change=only_torque)).findings
    assert (finding.pull, finding.check, finding.severity) == (
        "mill2-2",
        "label_other_setup",
        "note",
    )
    assert "Torque alone says so" in finding.message
    assert "no reason to move a pull" in finding.message


def test_torque_that_is_off_by_itself_makes_no_unknown_setup():
    def slip(channels, place):
        if place == (3, 1):
            channels["torque"] = 0.9 * channels["torque"]

    assert judge(*shop(also=slip)).findings == ()


def test_setups_that_leave_no_mark_are_not_told_apart():
    table = judge(*shop(size=0.0, seed=4)).table
    # The stated prior: 95% right, 4% another, 1% none.
    assert table["probability"].median() == pytest.approx(0.95, abs=0.01)
    assert table["probability_other"].median() == pytest.approx(0.04, abs=0.005)


def test_the_weather_is_taken_out_where_it_was_written_down():
    warm = {0: 0.0, 1: 9.0, 2: -6.0, 3: 4.0, 4: -3.0, 5: 12.0}

    def heat(channels, place):
        channels["charge_temperature"] = channels["charge_temperature"] + warm[place[0]]

    pulls, curves = shop(wrong=[(3, 1)], also=heat)
    place = pl.col("session").str.strip_prefix("s").cast(pl.Int64).replace_strict(warm)
    stated = pulls.with_columns(ambient_temperature_c=22.0 + place)
    assert told(judge(stated, curves)) == {("mill3-1", "label_other_setup")}


def test_a_channel_that_few_pulls_have_marks_nothing():
    pulls, curves = shop()
    first = curves.with_columns(pl.when(pl.col("pull") == "mill0-1").then("lambda").alias("lambda"))
    (mount,) = read_mounts(pulls, first)
    assert "mixture" not in read_signatures(mount).names


def test_a_pull_without_the_channels_is_not_judged():
    def unplug(channels, place):
        if place == (3, 1):
            del channels["charge_temperature"]

    judgement = judge(*shop(wrong=[(3, 1)], also=unplug))
    assert judgement.findings == ()
    assert "mill3-1" not in judgement.table["pull"]


# --- what cannot be told -------------------------------------------------------------------------


def test_without_repeats_nothing_can_be_told():
    judgement = judge(*shop("A", "B"))
    assert judgement.table.is_empty()
    assert "no setup was pulled twice" in judgement.cannot_tell


def test_without_channels_nothing_can_be_told():
    pulls, curves = shop()
    judgement = judge(pulls, curves.select("pull", "rpm", "time"))
    assert "no channel that marks a setup" in judgement.cannot_tell


def test_a_setup_with_a_single_pull_is_named_as_not_judged():
    judgement = judge(*shop("AAA", "AAB", "AAA"))
    assert judgement.table.height == 8
    assert "1 pull(s) of 'B'" in judgement.cannot_tell
    assert judgement.findings == ()


def test_few_pulls_are_too_few():
    judgement = judge(*shop("AB", "AB"))
    assert judgement.table.is_empty()
    assert "4 pull(s) of 'A', 'B'" in judgement.cannot_tell


def test_excluded_pulls_neither_teach_nor_are_judged():
    pulls, curves = shop(wrong=[(0, 1)])
    left_out = pulls.with_columns(
        state=pl.when(pl.col("pull") == "mill0-1").then(pl.lit("excluded")).otherwise("state")
    )
    judgement = judge(left_out, curves)
    assert judgement.findings == ()
    assert "mill0-1" not in judgement.table["pull"]


def test_a_long_history_is_judged_by_its_neighbourhood():
    runs = ("ABBA",) * 45  # 180 pulls, more than are learned from at once
    judgement = judge(*shop(*runs, wrong=[(20, 1)]))
    assert judgement.table.height == 180
    assert ("mill20-1", "label_other_setup") in told(judgement)
    assert len(judgement.findings) <= 4


# --- the signature -------------------------------------------------------------------------------


def test_a_signature_is_mean_and_rise_of_each_quantity():
    def exact(channels, _setup, _place):
        share = (RPM - RPM[0]) / (RPM[-1] - RPM[0])
        channels["compressor_out_pressure"] = 180.0 + 0.0 * RPM
        channels["manifold_pressure"] = 176.0 - 4.0 * share
        channels["charge_temperature"] = np.full_like(RPM, 47.0)
        channels["torque"] = np.full_like(RPM, 300.0)

    (mount,) = read_mounts(*history("AA", change=exact))
    read = read_signatures(mount)
    found = dict(zip(read.names, read.values[0].reshape(-1, 2), strict=True))
    assert found["pressure loss across the cooler"] == pytest.approx([6.0, 2.0], abs=0.1)
    assert found["boost"] == pytest.approx([174.0 - 99.0, -2.0], abs=0.1)
    assert found["charge temperature rise"] == pytest.approx([47.0 - 22.0, 0.0], abs=1e-9)
    assert found["torque"] == pytest.approx([100.0 * np.log(300.0), 0.0])
    rest = read.without("torque")
    assert rest.names == tuple(name for name in read.names if name != "torque")
    assert rest.values.shape == (2, read.values.shape[1] - 2)
    assert read.whole().all()


def test_a_pull_that_ends_a_little_early_keeps_its_signature():
    def smooth(channels, setup, _place):
        for name in channels:
            channels[name] = course(name)
        if setup == "B":
            fit_b(channels)

    pulls, curves = history("ABBA", "ABBA", change=smooth)
    short = curves.filter((pl.col("pull") != "mill0-2") | (pl.col("rpm") <= RPM[-7]))
    (whole,), (cut,) = read_mounts(pulls, curves), read_mounts(pulls, short)
    assert not np.isfinite(cut.channels["charge_temperature"]).all()
    np.testing.assert_allclose(
        read_signatures(cut).values, read_signatures(whole).values, rtol=0, atol=1e-9
    )


@pytest.mark.parametrize("lacking", [RPM < 4000.0, RPM == 3000.0])
def test_speeds_that_no_pull_has_of_a_channel_raise_no_warning(lacking):
    pulls, curves = history("ABBA", "ABBA")
    (mount,) = read_mounts(pulls, curves)
    mount.channels["charge_temperature"][:, lacking] = np.nan
    read = read_signatures(mount)
    assert ("charge temperature rise" in read.names) == (lacking.sum() == 1)
    assert read.whole().all()
