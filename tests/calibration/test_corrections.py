"""What reports/corrections.md shows, from simulated files, and that it is up to date."""

from __future__ import annotations

from pathlib import Path

import pytest
from corrections import answer, factor_table, scenarios

REPORT = Path(__file__).parents[2] / "reports" / "corrections.md"


@pytest.fixture(scope="module")
def answers(tmp_path_factory):
    """The comparison across weather, and the one of boost that is held."""
    folder = tmp_path_factory.mktemp("corrections")
    apart, _, held = scenarios()
    return answer(apart, folder / "apart"), answer(held, folder / "held")


def outcomes(found):
    return {one.name: one for one in found.corrections}


def test_the_report_shows_the_factors_of_this_version():
    shown = REPORT.read_text(encoding="utf-8")
    for line in factor_table():
        assert line in shown


def test_weather_between_two_setups_is_a_loss_only_while_uncorrected(answers):
    found, by_name = answers[0], outcomes(answers[0])
    assert found.verdict == by_name["none"].verdict == "loss"
    for name in ("sae_j1349", "sae_j1349_2004", "iso_1585", "un_r85", "jis_d_1001"):
        assert by_name[name].verdict == "undecided", name
        assert by_name[name].low_pct < 0.0 < by_name[name].high_pct
        assert by_name[name].differs
    assert any("hangs on the ambient correction" in text for text in found.warnings)


def test_correcting_boost_that_is_held_claims_a_gain_that_is_not_there_and_warns(answers):
    found, by_name = answers[1], outcomes(answers[1])
    assert by_name["sae_j1349"].verdict == "gain"
    assert by_name["sae_j1349"].effect_pct > 6.0
    assert abs(by_name["none"].effect_pct) < 1.5
    # UN R85 makes the factor one where boost compensates for the air of the cell.
    assert by_name["un_r85"].effect_pct == pytest.approx(by_name["none"].effect_pct)
    (warning,) = (text for text in found.warnings if "difference that is not there" in text)
    assert "it is so" in warning
