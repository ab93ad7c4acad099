from __future__ import annotations

import numpy as np
import pytest
from studies import curves_of, laid_out, wiggle

from dynostats.analysis.design import fit_residuals
from dynostats.analysis.design_check import check_by_relabeling
from dynostats.analysis.layers import split_layers
from dynostats.analysis.noise import learn_noise
from dynostats.analysis.peaks import find_peaks

RPM = np.arange(2000.0, 6001.0, 100.0)
# A torque curve with its peak of 300 N.m at 4000 rpm; power peaks where d(T n)/dn = 0.
TORQUE = 300.0 - 40.0 * ((RPM - 4000.0) / 2000.0) ** 2


def pulls_of(*layout, sd=0.004, seed=0, effect=0.0):
    rng = np.random.default_rng(seed)
    setups = "".join(layout)
    rows = [np.log(TORQUE) + wiggle(rng, RPM, sd) + effect * (setup == "B") for setup in setups]
    return laid_out(*layout, curves=np.array(rows), rpm=RPM)


def noise_of(curves):
    return learn_noise(split_layers(curves), RPM, own=np.zeros(len(curves), dtype=bool))


def peaks_of(log_torque, pulls, noise, *, seed=0):
    found = find_peaks("A", log_torque, pulls, noise, alpha=0.05, seed=seed)
    return {peak.quantity: peak for peak in found}


def test_peaks_of_a_curve_without_noise_to_speak_of():
    noise = noise_of(pulls_of(*["CCC"] * 4, sd=1e-6))
    peaks = peaks_of(np.log(TORQUE), 2, noise)
    assert peaks["torque"].value == pytest.approx(300.0, rel=1e-5)
    assert peaks["torque"].rpm == 4000.0
    power = TORQUE * RPM * np.pi / 30_000.0
    assert peaks["power"].value == pytest.approx(power.max(), rel=1e-5)
    assert peaks["power"].rpm == RPM[power.argmax()]
    assert peaks["power"].at_edge == (power.argmax() == len(RPM) - 1)


def test_a_curve_that_still_rises_says_so():
    noise = noise_of(pulls_of(*["CCC"] * 4))
    peaks = peaks_of(np.log(200.0 + RPM / 100.0), 2, noise)
    assert peaks["torque"].at_edge
    assert peaks["torque"].rpm == RPM[-1]


def test_the_peak_of_a_noisy_curve_is_corrected_downward():
    noise = noise_of(pulls_of(*["CCC"] * 6, sd=0.01))
    noisy = pulls_of("A", sd=0.01, seed=3).log_torque[0]
    peak = peaks_of(noisy, 1, noise)["torque"]
    assert peak.value < np.exp(noisy.max())
    assert peak.low < peak.value < peak.high
    assert peak.rpm_low <= peak.rpm <= peak.rpm_high


def test_the_true_peak_lies_inside_the_interval_as_often_as_it_says():
    # 100 shops of six days of history and two pulls; 95%, four standard errors, and two points for
    # a bootstrap of a maximum, which is first-order right only (Davison & Hinkley 1997, 2.6).
    held = 0
    for seed in range(100):
        noise = noise_of(pulls_of(*["CCC"] * 6, seed=seed))
        mean = pulls_of("AA", seed=10_000 + seed).log_torque.mean(axis=0)
        peak = peaks_of(mean, 2, noise, seed=seed)["torque"]
        held += peak.low <= 300.0 <= peak.high
    assert held / 100 > 0.95 - 0.02 - 4.0 * np.sqrt(0.05 * 0.95 / 100)


def test_residuals_are_what_setups_sessions_and_drift_leave():
    curves = pulls_of("ABBA", "BAAB", effect=0.02)
    for drift in (False, True):
        left = fit_residuals(curves, drift=drift)
        for labels in (curves.setup, curves.session):
            for name in set(labels):
                own = np.array([label == name for label in labels])
                np.testing.assert_allclose(left[own].sum(axis=0), 0.0, atol=1e-10)
        if drift:
            place = np.tile([-1.5, -0.5, 0.5, 1.5], 2)
            np.testing.assert_allclose(place[:4] @ left[:4], 0.0, atol=1e-10)


def check(curves, verdict="gain"):
    return check_by_relabeling(curves, verdict, baseline="A", candidate="B", alpha=0.05)


def test_two_against_two_cannot_decide_by_relabelling():
    # 4 over 2 = 6 labellings, two of them as extreme as can be: p = 1/3 at best.
    found = check(pulls_of("ABBA", effect=0.05))
    assert (found.relabelings, found.exact) == (6, True)
    assert found.smallest_p == pytest.approx(1.0 / 3.0)
    assert found.agrees is None
    assert "cannot decide" in found.text


def test_four_against_four_can():
    # 8 over 4 = 70 labellings: p = 2/70 at best.
    found = check(pulls_of("ABBAABBA", effect=0.05))
    assert found.relabelings == 70
    assert found.p_value == pytest.approx(2.0 / 70.0)
    assert found.agrees
    assert not check(pulls_of("ABBAABBA", effect=0.05), "undecided").agrees


def test_one_pull_a_side_has_nothing_to_relabel():
    assert check(pulls_of("AB")) is None


def test_third_setups_take_no_part():
    with_third = pulls_of("ABBACC", effect=0.05)
    kept = np.array([name != "C" for name in with_third.setup])
    assert check(with_third).p_value == check(with_third.take(kept)).p_value


def test_pairs_over_days_flip_signs():
    # Six pairs: 2 / 2^6 at best.
    curves = pulls_of(*["AB", "BA"] * 3, effect=0.05)
    found = check(curves_of(curves.log_torque, session=curves.session, setup=curves.setup, rpm=RPM))
    assert found.smallest_p == pytest.approx(2.0 / 64.0)
    assert found.p_value == pytest.approx(2.0 / 64.0)
