from __future__ import annotations

import polars as pl
import pytest
from comparison_example import example_comparison, without_noise

from dynostats.analysis.comparison import Overall, Region
from dynostats.charts.theme import MINUS
from dynostats.report import sentences


def overall(effect, low, high):
    return Overall(
        effect_pct=effect,
        low_pct=low,
        high_pct=high,
        effect_kw=effect,
        low_kw=low,
        high_kw=high,
        probability_gain_over_margin=0.5,
    )


def region(verdict, low_rpm, high_rpm, effect):
    return Region(
        from_rpm=low_rpm,
        to_rpm=high_rpm,
        verdict=verdict,
        effect_pct=effect,
        low_pct=effect - 1,
        high_pct=effect + 1,
    )


def test_gain_states_amount_range_interval_and_pulls():
    result = example_comparison(overall=overall(2.4, 1.3, 3.5))
    assert sentences.answer(result) == (
        "“wide downpipe” made 2.4% more power than “stock downpipe” on average between 2,400 and "
        "6,800 rpm (95% interval 1.3 to 3.5% more; 3 pulls against 3, in one session)."
    )


def test_loss_turns_the_interval_into_amounts_less():
    result = example_comparison(verdict="loss", overall=overall(-1.9, -2.6, -1.2))
    text = sentences.answer(result)
    assert "made 1.9% less power" in text
    assert "95% interval 1.2 to 2.6% less" in text


def test_a_gain_in_part_does_not_claim_a_gain_on_average():
    result = example_comparison(
        overall=overall(0.6, -0.2, 1.4),
        regions=(region("undecided", 2400, 4950, 0.1), region("gain", 5000, 6800, 1.8)),
    )
    text = sentences.answer(result)
    assert "made 1.8% more from 5,000 to 6,800 rpm" in text
    assert "on average between 2,400 and 6,800 rpm no difference is shown" in text
    assert f"{MINUS}0.2 to +1.4%" in text


def test_no_meaningful_change_names_the_margin_and_does_not_call_regions_undecided():
    result = example_comparison(
        verdict="no_meaningful_change",
        overall=overall(0.1, -0.2, 0.3),
        regions=(region("undecided", 2400, 6800, 0.1),),
    )
    assert "stays within ±0.5%" in sentences.answer(result)
    assert sentences.where(result) == ("At every speed compared the difference lies within ±0.5%.",)


def test_mixed_names_both_directions():
    result = example_comparison(
        verdict="mixed",
        overall=overall(0.2, -0.6, 1.0),
        regions=(region("loss", 2400, 3500, -1.5), region("gain", 5000, 6800, 2.0)),
    )
    text = sentences.answer(result)
    assert "2.0% more from 5,000 to 6,800 rpm" in text
    assert "1.5% less from 2,400 to 3,500 rpm" in text


def test_undecided_reads_as_undecided():
    result = example_comparison(verdict="undecided", overall=overall(0.8, -0.6, 2.2))
    text = sentences.answer(result)
    assert text.startswith("These pulls cannot tell")
    assert "+0.8%" in text
    assert f"{MINUS}0.6 to +2.2%" in text
    assert " made " not in text


def test_unknown_noise_gives_no_interval_and_says_so():
    text = sentences.answer(without_noise())
    assert text.startswith("These pulls cannot tell")
    assert "no interval: the noise is unknown" in text


@pytest.mark.parametrize("verdict", ["gain", "loss", "no_meaningful_change", "mixed", "undecided"])
def test_every_answer_counts_the_pulls_and_ends_as_a_sentence(verdict):
    result = example_comparison(
        verdict=verdict,
        regions=(region("loss", 2400, 3500, -1.5), region("gain", 5000, 6800, 2.0)),
    )
    text = sentences.answer(result)
    assert "3 pulls against 3" in text
    assert text.endswith(".")


def test_a_gain_of_the_mean_alone_says_that_the_speeds_are_unknown():
    result = example_comparison(regions=(region("undecided", 2400, 6800, 0.9),))
    assert sentences.where(result) == (
        "That holds for the mean; these pulls cannot tell at which speeds.",
    )


def test_where_lists_the_ranges_of_each_verdict():
    result = example_comparison(
        regions=(
            region("gain", 2400, 3000, 2),
            region("undecided", 3050, 4000, 0.5),
            region("gain", 4050, 6800, 2),
        )
    )
    assert sentences.where(result) == (
        "More power is shown from 2,400 to 3,000 rpm and from 4,050 to 6,800 rpm.",
        "Undecided from 3,050 to 4,000 rpm.",
    )


@pytest.mark.parametrize(
    ("by_pull", "words"),
    [
        ("aaaaaaa", "in one session"),
        ("abababa", "in 2 sessions, never both setups in one"),
        ("aaaabbb", "in 2 sessions, both setups in each"),
        ("aaaaabc", "in 3 sessions, both setups in 1 of them"),
    ],
)
def test_sessions_say_whether_the_setups_ever_shared_one(by_pull, words):
    # Roles of the seven pulls: b c b (void c) c b c.
    table = example_comparison().pull_table
    if by_pull == "abababa":
        by_pull = "".join("a" if role == "baseline" else "b" for role in table["role"])
    result = example_comparison(pull_table=table.with_columns(session=pl.Series(list(by_pull))))
    assert sentences.sessions(result) == words


def test_the_alternative_text_states_the_finding():
    text = sentences.alternative(example_comparison())
    assert "More power is shown from 3,900 to 6,800 rpm." in text
    assert "rpm to +3.4% at 6,400 rpm" in text
