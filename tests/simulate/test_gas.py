from __future__ import annotations

import pytest

from dynostats.simulate.gas import Ambient, density_kg_m3


def test_density_of_the_standard_atmosphere():
    # ISO 2533 (1975) sea level: 101.325 kPa, 15 degC, 1.2250 kg/m3.
    assert float(density_kg_m3(101.325, 15.0)) == pytest.approx(1.2250, abs=5e-5)


def test_density_at_25_degrees():
    # CRC Handbook of Chemistry and Physics, dry air at 25 degC and 101.325 kPa: 1.184 kg/m3
    # (from memory).
    assert float(density_kg_m3(101.325, 25.0)) == pytest.approx(1.184, abs=5e-4)


def test_dry_share_from_the_steam_table():
    # IAPWS-95 saturation pressure at 25 degC: 3.16993 kPa. Buck's equation is within 0.05%.
    air = Ambient(pressure_kpa=100.0, temperature_c=25.0, relative_humidity_pct=50.0)
    assert air.dry_fraction() == pytest.approx(1.0 - 0.5 * 3.16993 / 100.0, abs=1e-5)


def test_air_without_humidity_is_all_dry():
    assert Ambient(relative_humidity_pct=0.0).dry_fraction() == 1.0
