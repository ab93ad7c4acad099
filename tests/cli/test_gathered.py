"""A season of logs must not fill a screen a thousand times with one sentence."""

from __future__ import annotations

import pytest

from dynostats.cli.gathered import MOST_ALIKE, gather, gather_alike, name_pulls


def spike(pull, speed, column="lambda_1"):
    return f"P{pull}", f"Column 3 '{column}' has a spike at {speed:,} rpm."


def test_a_text_stands_once_with_all_it_holds_for():
    for way in (gather, gather_alike):
        assert way([("P1", "one"), ("P2", "two"), ("P3", "one")]) == [
            (["P1", "P3"], "one"),
            (["P2"], "two"),
        ]


def test_a_few_texts_keep_their_own_numbers_and_places():
    told = [spike(1, 2000), ("P1", "other"), *(spike(n, 2000 + n) for n in range(2, MOST_ALIKE))]
    assert gather_alike(told) == [([name], text) for name, text in told]


def test_many_that_differ_in_numbers_become_one_that_says_whose_they_are():
    told = [("P0", "before"), *(spike(n, 2000 + n) for n in range(1, 101)), ("P1", "after")]
    (_, before), (names, text), (_, after) = gather_alike(told)
    assert len(gather(told)) == 102
    assert (before, after) == ("before", "after")
    assert names == [f"P{n}" for n in range(1, 101)]
    assert text.startswith(spike(1, 2001)[1])
    assert "are of P1;" in text


def test_those_it_holds_for_stand_in_the_order_told():
    told = [spike(n, 2000 + n % 10) for n in range(40)]
    ((names, _),) = gather_alike(told)
    assert names == [f"P{n}" for n in range(40)]


def test_names_in_quotes_are_no_numbers():
    told = [spike(n, 2000 + n, f"lambda_{n % 2}") for n in range(20)]
    assert [names for names, _ in gather_alike(told)] == [
        [f"P{n}" for n in range(0, 20, 2)],
        [f"P{n}" for n in range(1, 20, 2)],
    ]


@pytest.mark.parametrize(
    "text",
    [
        "lambda_{} reads its highest value in 40 of 90 samples.",
        "It lies far from the other pull of its setup, P{}.",
        "The data look like those of 'Bo's cam {}'.",
    ],
)
def test_a_number_in_a_name_keeps_texts_apart(text):
    told = [(f"P{n}", text.format(n)) for n in range(20)]
    assert gather_alike(told) == [([name], said) for name, said in told]


def test_an_apostrophe_is_no_quote():
    told = [(f"P{n}", f"The setup's mean is {n} N.m off its engine's.") for n in range(20)]
    ((names, _),) = gather_alike(told)
    assert len(names) == len(told)


def test_every_pull_is_named_and_runs_are_short():
    assert name_pulls(["P9"]) == "P9"
    assert name_pulls(["P2", "P1"]) == "P1, P2"
    assert name_pulls(f"P{n}" for n in (5, 9, 3, 4, 11, 10, 20, 10)) == "P3 to P5, P9 to P11, P20"
