"""The cookbook lists what there is; the answers to the researcher are those of the commands."""

from __future__ import annotations

import re

import pytest
from documents import COOKBOOK, RESEARCHER, answer_anew, make_cookbook

import dynostats as ds
from dynostats.simulate.cell import quiet_session
from dynostats.simulate.day import open_day
from dynostats.simulate.scenario import DAYS, DEFAULT_SEED, SETUPS
from dynostats.simulate.truth import find_truth

DOCUMENT = RESEARCHER.read_text(encoding="utf-8")


def test_the_cookbook_is_current():
    made = make_cookbook()
    assert COOKBOOK.read_text(encoding="utf-8") == made, "run tests/documents.py"
    assert made.count("\n### ") >= 25


def test_the_researcher_s_answers_are_those_of_today(demo_warehouse, monkeypatch):
    monkeypatch.delenv("DYNOSTATS_WAREHOUSE", raising=False)
    again = answer_anew(DOCUMENT, demo_warehouse)
    assert DOCUMENT.count("\n## ") == 5
    shown, now = DOCUMENT.split(), again.split()
    assert len(shown) == len(now)
    for one, other in zip(shown, now, strict=True):
        first, second = _number(one), _number(other)
        if first is None or second is None:
            assert one == other
        else:  # another computer's arithmetic may round the last digit shown otherwise
            assert first == pytest.approx(second, rel=2e-3, abs=0.011)


def _number(word: str) -> float | None:
    match = re.fullmatch(r"\(?([+-]?\d+(?:\.\d+)?)[%),]*", word)
    return None if match is None else float(match[1])


def test_what_is_said_to_be_true_is_true_and_within_the_intervals(demo_warehouse):
    told = dict(
        re.findall(r"^\| (\S+) against \S+ \| ([+\N{MINUS SIGN}][\d.]+)%", DOCUMENT, re.MULTILINE)
    )
    with ds.open_warehouse(demo_warehouse) as warehouse:
        studies = warehouse.history().studies
    assert set(told) == set(studies["candidate"])
    sessions = {"outlet-70": "T08", "fuelling-plus-3": "C02", "wide-airbox": "N02",
                "timing-plus-1": "T06", "light-oil": "N03", "deep-core": "T02"}  # fmt: skip
    for row in studies.iter_rows(named=True):
        name = row["candidate"]
        place = next(at for at, day in enumerate(DAYS) if day.session == sessions[name])
        day = DAYS[place]
        air = open_day(day, DEFAULT_SEED, place)[0].air
        true = find_truth(
            day.engine,
            SETUPS[row["baseline"]],
            SETUPS[name],
            quiet_session(day.cell, day.engine, air),
        ).effect_pct
        assert float(told[name].replace("\N{MINUS SIGN}", "-")) == pytest.approx(true, abs=0.006)
        assert row["low_pct"] <= true <= row["high_pct"]
