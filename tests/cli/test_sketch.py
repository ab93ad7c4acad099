from __future__ import annotations

from dynostats.cli.sketch import ASCII, sketch_effect

SPEEDS = [2000.0, 2500.0, 3000.0, 3500.0, 4000.0]


def test_a_small_sketch_to_the_letter():
    # Ten columns of 222 rpm each take the nearest grid speed: 2, 2, 2, 2 and 2 columns a speed.
    lines = sketch_effect(
        SPEEDS,
        effect=[0.0, 0.0, 1.0, 2.0, 2.0],
        low=[-1.0, -1.0, 0.0, 1.0, 1.0],
        high=[1.0, 1.0, 2.0, 3.0, 3.0],
        ink=ASCII,
        columns=10,
        rows=4,
    )
    assert lines == [
        "      +3 |      ::::",
        "      +2 |    ::oooo",
        "      +1 |::::oo::::",
        "       0 |oooo::----",
        "      -1 |::::",
        "         +----------",
        "          2000 4000 rpm",
    ]


def test_without_bounds_only_the_estimate_is_drawn():
    nothing = [None] * 5
    lines = sketch_effect(SPEEDS, [1.0, 1.0, 1.0, 1.0, 1.0], nothing, nothing, ink=ASCII)
    assert not any(":" in line for line in lines)
    assert sum("o" * 60 in line for line in lines) == 1


def test_no_effect_at_all_stands_on_the_zero_line():
    lines = sketch_effect(SPEEDS, [0.0] * 5, [0.0] * 5, [0.0] * 5, ink=ASCII, columns=20)
    assert "       0 |" + "o" * 20 in lines


def test_the_label_of_a_small_step_shows_its_decimals():
    lines = sketch_effect(SPEEDS, [0.02] * 5, [0.01] * 5, [0.03] * 5, ink=ASCII)
    assert any(line.strip().startswith("+0.020 |") for line in lines)


def test_rounding_is_not_drawn_as_a_curve():
    lines = sketch_effect([2000.0, 3000.0], [-1e-14, 2e-14], [None, None], [None, None])
    assert len([line for line in lines if "●" in line]) == 1
    assert not any("0.0000" in line for line in lines)
