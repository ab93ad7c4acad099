from __future__ import annotations

import pytest

from dynostats.simulate.scenario import BREATHING_FOUR, ENGINES, TURBO_FIVE
from dynostats.simulate.setup import Setup


def test_an_unchanged_setup_leaves_the_engine_as_it_is():
    for engine in ENGINES.values():
        assert Setup(name="as delivered").fit(engine) == engine


def test_every_factor_reaches_its_part():
    change = Setup(
        name="all",
        boost=1.1,
        mixture=1.02,
        fuelling=1.03,
        timing_deg=1.5,
        filling=1.01,
        filling_top=1.04,
        intake_resistance=0.5,
        exhaust_resistance=0.4,
        cooler_resistance=1.6,
        cooler_transfer=1.3,
        cooler_capacity=2.0,
        friction=0.9,
    )
    fitted = change.fit(TURBO_FIVE)
    assert fitted.turbo.boost_kpa == pytest.approx(1.1 * 85.0)
    assert fitted.lambda_low == pytest.approx(1.02 * 0.90)
    assert fitted.lambda_high == pytest.approx(1.02 * 0.84)
    assert fitted.timing_low_deg == pytest.approx(-4.5)
    assert fitted.timing_high_deg == pytest.approx(-2.5)
    assert fitted.filling_peak == pytest.approx(1.01 * 0.95)
    assert fitted.filling_top == pytest.approx(1.04)
    assert fitted.intake_resistance_per_m4 == pytest.approx(1.0e5)
    assert fitted.exhaust_resistance_per_m4 == pytest.approx(0.4 * 9.3e5)
    assert fitted.cooler.resistance_per_m4 == pytest.approx(1.6 * 9.0e5)
    assert fitted.cooler.transfer_units == pytest.approx(1.95)
    assert fitted.cooler.heat_capacity_j_k == pytest.approx(18_000.0)
    assert fitted.friction.speed_kpa_s_m == pytest.approx(0.9 * 5.0)
    assert fitted.friction.constant_kpa == TURBO_FIVE.friction.constant_kpa


def test_boost_and_cooler_changes_pass_an_engine_without_them():
    assert (
        Setup(name="boost", boost=1.2, cooler_resistance=2.0).fit(BREATHING_FOUR) == BREATHING_FOUR
    )
