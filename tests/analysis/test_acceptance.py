"""Pulls against their session, their setup and their engine's own past."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from acceptance_frames import RPM, history, judge, said
from scipy.stats import binom

from dynostats.analysis.acceptance import find_cut_short, merge

SESSIONS = ("AAA", "AAAA", "AAA", "AAAA")
ODD = (3, 2)  # second pull of the fourth session
NAME = "mill3-2"


def only_odd(change):
    """Change the channels of one pull only."""

    def apply(channels, _setup, place):
        if place == ODD:
            change(channels)

    return apply


def findings(*runs, **options):
    return judge(*history(*(runs or SESSIONS), **options))


def test_ordinary_pulls_have_no_findings():
    # Labels are a matter of chance: at most 1% of right ones may be questioned. Two setups that
    # leave no mark at all are the hardest case.
    every = [findings("AAA", "ABBA", "ABA", "ABAB", "AAAA", seed=seed) for seed in range(20)]
    checks = [check for result in every for _, check, _ in said(result)]
    labels = [check for check in checks if check.startswith("label")]
    assert checks == labels
    assert len(labels) <= binom.ppf(0.999, 20 * 18, 0.01)


# --- coverage ------------------------------------------------------------------------------------


def cut(pulls, ends):
    """Return pulls with other ranges of speed, by name."""
    rows = [
        row
        | dict(
            zip(
                ("rpm_low", "rpm_high"),
                ends.get(row["pull"], (row["rpm_low"], row["rpm_high"])),
                strict=True,
            )
        )
        for row in pulls.to_dicts()
    ]
    return pl.DataFrame(rows)


@pytest.mark.parametrize(
    ("ends", "check", "severity"),
    [
        ((2000.0, 4000.0), "ended_early", "void"),
        ((2000.0, 5000.0), "ended_early", "void"),
        ((2000.0, 5700.0), "ended_early", "doubtful"),
        ((3500.0, 6000.0), "began_late", "void"),
        ((2300.0, 6000.0), "began_late", "doubtful"),
    ],
)
def test_a_pull_that_covers_less_than_its_session(ends, check, severity):
    pulls, _ = history(*SESSIONS)
    (finding,) = find_cut_short(cut(pulls, {NAME: ends}))
    assert (finding.pull, finding.check, finding.severity) == (NAME, check, severity)
    assert f"covers {ends[0]:.0f} to {ends[1]:.0f} rpm" in finding.message


def test_a_ragged_end_is_no_early_end():
    pulls, _ = history(*SESSIONS)
    assert find_cut_short(cut(pulls, {NAME: (2050.0, 5950.0)})) == ()


def test_two_short_pulls_of_a_setup_were_meant_so():
    pulls, _ = history("ABAB")
    found = find_cut_short(cut(pulls, {"mill0-2": (2000.0, 4500.0), "mill0-4": (2000.0, 4550.0)}))
    assert {(one.pull, one.severity) for one in found} == {
        ("mill0-2", "doubtful"),
        ("mill0-4", "doubtful"),
    }
    assert "another pull of this setup did so too" in found[0].message


def test_a_session_of_two_is_measured_by_the_engine_and_never_void():
    pulls, _ = history("AAA", "AAA", "AA")
    (finding,) = find_cut_short(cut(pulls, {"mill2-2": (2000.0, 4000.0)}))
    assert (finding.pull, finding.severity) == ("mill2-2", "doubtful")


def test_without_others_nothing_is_short():
    pulls, _ = history("AA")
    assert find_cut_short(cut(pulls, {"mill0-2": (2000.0, 4000.0)})) == ()


def test_an_engine_run_in_at_lower_speed_is_judged_session_by_session():
    pulls, _ = history("AAA", "AAA", "AAA")
    ends = {f"mill0-{order}": (2000.0, 4500.0) for order in (1, 2, 3)}
    assert find_cut_short(cut(pulls, ends)) == ()


# --- against the session -------------------------------------------------------------------------


@pytest.mark.parametrize("factor", [1.2, 1 / 1.2])
def test_another_sweep_rate_is_told_with_what_it_could_fake(factor):
    def hurry(channels):
        channels["time"] = channels["time"] / factor

    (finding,) = findings(change=only_odd(hurry)).findings
    assert (finding.pull, finding.check, finding.severity) == (NAME, "sweep_rate", "doubtful")
    # 400 rpm/s is 41.9 rad/s2; a fifth more of it takes 8.4 N.m from each kg.m2.
    change = abs(factor - 1.0) * 400.0 * np.pi / 30.0
    number = float(finding.message.split("takes ")[1].split(" N.m")[0])
    assert number == pytest.approx(change, rel=0.02)
    assert ("more here" in finding.message) == (factor > 1)


@pytest.mark.parametrize(("kelvin", "word"), [(12.0, "hotter"), (-12.0, "colder")])
def test_a_hot_or_cold_start(kelvin, word):
    def heat(channels):
        channels["oil_temperature"] = channels["oil_temperature"] + kelvin

    (finding,) = findings(change=only_odd(heat)).findings
    assert (finding.check, finding.severity) == ("start_temperature", "doubtful")
    assert f"12 K {word}" in finding.message


def test_an_engine_that_warms_from_pull_to_pull_starts_as_usual():
    def soak(channels, _setup, place):
        channels["oil_temperature"] = channels["oil_temperature"] + 3.0 * place[1]

    assert said(findings("AAAAAA", "AAAAAA", "AAAAA", change=soak)) == []


def test_a_missing_channel_is_told_where_the_others_have_it():
    def unplug(channels):
        del channels["charge_temperature"]

    (finding,) = findings(change=only_odd(unplug)).findings
    assert (finding.check, finding.severity) == ("channel_missing", "doubtful")
    assert "charge_temperature" in finding.message


def test_a_channel_that_nobody_else_has_is_not_missing():
    def only_one(channels, _setup, place):
        if place != ODD:
            del channels["fuel_pressure"]

    assert said(findings(change=only_one)) == []


@pytest.mark.parametrize("runs", [("AAA", "AAAA", "AAA"), ("AAA", "AAAA", "AAA", "ABAB")])
def test_an_odd_pull_of_three_does_not_make_the_other_two_look_odd(runs):
    def spoil(channels, _setup, place):
        if place == (2, 2):
            channels["oil_temperature"] = channels["oil_temperature"] + 20.0
            channels["time"] = channels["time"] / 1.3

    assert {(pull, check) for pull, check, _ in said(findings(*runs, change=spoil))} == {
        ("mill2-2", "start_temperature"),
        ("mill2-2", "sweep_rate"),
    }


def test_two_odd_pulls_of_five_do_not_back_each_other():
    def spoil(channels, _setup, place):
        if place in {(1, 2), (1, 4)}:
            channels["oil_temperature"] = channels["oil_temperature"] + 20.0

    found = {pull for pull, _, _ in said(findings("AAA", "AAAAA", "AAA", change=spoil))}
    assert found == {"mill1-2", "mill1-4"}


def test_of_a_session_of_two_the_engine_tells_which_started_hot():
    def heat(channels, _setup, place):
        if place == (3, 2):
            channels["oil_temperature"] = channels["oil_temperature"] + 20.0

    (finding,) = findings("AAA", "AAA", "AAAA", "AA", change=heat).findings
    assert (finding.pull, finding.check) == ("mill3-2", "start_temperature")
    assert "20 K hotter than the other pulls of its engine" in finding.message


def test_a_session_of_two_that_started_warm_together_was_meant_so():
    def heat(channels, _setup, place):
        if place[0] == 3:
            channels["oil_temperature"] = channels["oil_temperature"] + 20.0

    assert said(findings("AAA", "AAA", "AAAA", "AA", change=heat)) == []


# --- against the engine's past -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("channel", "factor", "check"),
    [
        ("fuel_pressure", 0.93, "fuel_pressure_unusual"),
        ("oil_pressure", 0.80, "oil_pressure_unusual"),
    ],
)
def test_a_pressure_below_its_past_is_a_danger_first(channel, factor, check):
    def fall(channels):
        channels[channel] = np.where(RPM > 5000.0, factor, 1.0) * channels[channel]

    result = findings(change=only_odd(fall))
    (finding,) = result.findings
    assert (finding.pull, finding.check, finding.severity) == (NAME, check, "doubtful")
    assert finding.danger
    assert finding.message.startswith("Danger to the engine")
    assert "From 5050 to 6000 rpm" in finding.message
    assert result.dangers() == result.findings


def test_a_pressure_above_its_past_is_none():
    def rise(channels):
        channels["fuel_pressure"] = 1.1 * channels["fuel_pressure"]

    assert said(findings(change=only_odd(rise))) == []


def test_a_cylinder_that_runs_leaner_than_it_used_to():
    def clog(channels):
        channels["lambda_2"] = channels["lambda_2"] + 0.06

    (finding,) = findings(change=only_odd(clog)).findings
    assert (finding.check, finding.danger) == ("cylinder_unusual", True)
    assert "lambda 2" in finding.message


def test_two_bad_pulls_do_not_hide_each_other():
    def fall(channels, _setup, place):
        if place in {(1, 1), ODD}:
            channels["fuel_pressure"] = 0.9 * channels["fuel_pressure"]

    assert {pull for pull, check, _ in said(findings(change=fall))} == {"mill1-1", NAME}


def test_little_history_says_that_its_limits_are_defaults():
    limits = findings("AAA").limits
    assert limits["source"].str.contains("default, common practice").all()
    many = findings("AAAA", "AAAA", "AAAA").limits
    assert many["source"].str.contains("robust SDs of 12 past readings").any()


# --- torque against the setup's own band ---------------------------------------------------------


def test_torque_far_from_its_setup_is_told():
    def slip(channels):
        channels["torque"] = 0.96 * channels["torque"]

    bands = [one for one in findings(change=only_odd(slip)).findings if one.check == "outside_band"]
    (finding,) = bands
    assert (finding.pull, finding.severity) == (NAME, "doubtful")
    shown = float(finding.message.split("lies ")[1].split("%")[0])
    assert shown == pytest.approx(-4.0, abs=0.5)  # its own noise is 0.2%
    assert "no reason to exclude it" in finding.message


def slip_at(place):
    def slip(channels, _setup, at):
        if at == place:
            channels["torque"] = 0.95 * channels["torque"]

    return slip


def bands(result):
    return {one.pull: one.message for one in result.findings if one.check == "outside_band"}


def test_of_a_pair_nothing_tells_which_is_odd():
    found = bands(findings("AAA", "AAA", "AAAA", "BB", change=slip_at((3, 2))))
    assert found.keys() == {"mill3-1", "mill3-2"}
    assert all("Nothing tells which of the two is odd" in text for text in found.values())


@pytest.mark.parametrize("runs", [("AAA", "AAA", "AAAA", "AA"), ("ABBA", "AAA", "ABAB", "ABA")])
def test_other_sessions_tell_which_of_a_pair_is_odd(runs):
    place = (3, 2) if runs[3] == "AA" else (3, 3)
    found = bands(findings(*runs, change=slip_at(place)))
    assert found.keys() == {f"mill{place[0]}-{place[1]}"}
    assert "this one of the two is odd" in next(iter(found.values()))


def test_a_session_that_reads_low_as_a_whole_does_not_blame_the_good_pull():
    def low(channels, setup, at):
        if at[0] == 3:  # all of this session reads 4% low, one pull of it another 5%
            channels["torque"] = 0.96 * channels["torque"]
        slip_at((3, 1))(channels, setup, at)

    found = bands(findings("ABBA", "AAA", "ABAB", "ABBA", change=low))
    assert found.keys() == {"mill3-1"}


# --- the result ----------------------------------------------------------------------------------


def falling(channels):
    channels["fuel_pressure"] = 0.9 * channels["fuel_pressure"]


def test_an_excluded_pull_is_judged_and_measures_no_other():
    pulls, curves = history(*SESSIONS, change=only_odd(falling))
    left_out = pulls.with_columns(
        state=pl.when(pl.col("pull") == NAME).then(pl.lit("excluded")).otherwise("state")
    )
    assert said(judge(left_out, curves)) == [(NAME, "fuel_pressure_unusual", "doubtful")]


def test_the_order_of_listing_changes_nothing():
    pulls, curves = history(*SESSIONS, change=only_odd(falling))
    shuffled = pulls.sample(fraction=1.0, shuffle=True, seed=3)
    there, back = judge(pulls, curves), judge(shuffled, curves)
    assert sorted(said(there)) == sorted(said(back))
    assert there.limits.sort("check")["limit"].to_list() == pytest.approx(
        back.limits.sort("check")["limit"].to_list()
    )


def test_only_the_chosen_are_reported_and_all_are_compared_with():
    pulls, curves = history(*SESSIONS, change=only_odd(falling))
    one = judge(pulls, curves, chosen=[NAME])
    assert (one.pulls, len(one.findings)) == ((NAME,), 1)
    other = judge(pulls, curves, chosen=["mill0-1"])
    assert (other.pulls, other.findings) == (("mill0-1",), ())
    assert one.labels["pull"].to_list() == [NAME]


def test_what_was_noticed_at_reading_stands_beside_it_gravest_first():
    found = pl.DataFrame(
        {
            "pull": [NAME, NAME],
            "check": ["oil_pressure_low", "torque_collapsed"],
            "severity": ["note", "void"],
            "message": ["low", "fell"],
        }
    )
    pulls, curves = history(*SESSIONS, change=only_odd(falling))
    result = judge(pulls, curves, found=found)
    assert [severity for _, _, severity in said(result)] == ["void", "doubtful", "note"]
    assert [one.danger for one in result.findings] == [False, True, True]


def test_the_result_as_json_and_frame():
    result = findings(change=only_odd(falling))
    plain = result.to_dict()
    assert {"findings", "pulls", "labels", "limits", "cannot_tell"} <= plain.keys()
    assert plain["pulls"] == 14
    assert set(plain["findings"][0]) == {"pull", "check", "severity", "message", "danger"}
    assert result.frame.rows(named=True) == plain["findings"]
    assert findings().frame.columns == result.frame.columns


def test_engines_are_judged_apart():
    first = history(*SESSIONS, engine="mill", change=only_odd(falling))
    second = history(*SESSIONS, engine="press", seed=5)
    both = judge(pl.concat([first[0], second[0]]), pl.concat([first[1], second[1]]))
    assert said(both) == [(NAME, "fuel_pressure_unusual", "doubtful")]


def test_groups_judged_apart_are_put_together_in_order():
    first = judge(*history(*SESSIONS, engine="mill", change=only_odd(falling)))
    second = judge(*history(*SESSIONS, engine="press", seed=5))
    whole = merge([second, first], [*first.pulls, *second.pulls])
    assert whole.pulls == (*first.pulls, *second.pulls)
    assert said(whole) == said(first)
    assert whole.limits.height == first.limits.height + second.limits.height


# --- one pull filed twice ------------------------------------------------------------------------


def filed_again(pulls, curves, copies, first):
    """Give pulls the torque of another, but for what another program rounds."""
    torque = curves.filter(pull=first).select("rpm", again=pl.col("torque") * (1.0 + 2e-6))
    given = curves.join(torque, on="rpm", how="left", maintain_order="left")
    return pulls, given.with_columns(
        torque=pl.when(pl.col("pull").is_in(copies)).then("again").otherwise("torque")
    ).drop("again")


def test_a_copy_is_told_with_the_pull_it_is_one_of():
    pulls, curves = history("AAA", "AAA", "AAA", "AAA")
    found = judge(*filed_again(pulls, curves, [NAME], "mill1-1")).findings
    (finding,) = [one for one in found if one.check == "copy"]
    assert (finding.pull, finding.severity) == (NAME, "doubtful")
    assert "that of mill1-1 at every speed" in finding.message


def test_copies_do_not_make_ordinary_pulls_lie_outside_the_band():
    pulls, curves = history("AAA", "AAA", "AAA", "AAA")
    copies = [f"mill{day}-{place}" for day in range(4) for place in (2, 3)]
    for copy in copies:
        pulls, curves = filed_again(pulls, curves, [copy], f"{copy[:-1]}1")
    # One more ordinary pull in a session of copies: by them alone it would lie far outside.
    _, measured = history("AAA", "AAA", "AAA", "AAA", seed=5)
    curves = pl.concat([curves.filter(pl.col("pull") != NAME), measured.filter(pull=NAME)])
    found = {one.check for one in judge(pulls, curves).findings if one.pull == NAME}
    assert found.isdisjoint({"outside_band", "copy"})
