"""A quick look at what the full tables of reports/acceptance.md show."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest
from acceptance import Task, judge, make_mislabelled, tasks
from acceptance_faults import deal, settings
from acceptance_shops import CHANGES, judge_shop, plain_changes
from acceptance_tables import exact_interval

pytestmark = pytest.mark.calibration


def flagged(row):
    return any(severity != "note" or danger for _, severity, danger in row["said"])


def test_plain_faults_are_found_and_clean_pulls_beside_them_left_alone():
    plain = [one for one in settings() if one.plain]
    rows = []
    for number, strikes in itertools.islice(deal(plain, 1), 2):
        rows += judge(Task(kind="faults", number=number, strikes=tuple(strikes)))
    struck = [row for row in rows if row["fault"]]
    assert len(struck) == 12
    assert [row["fault"] for row in struck if not flagged(row)] == []
    clean = [row for row in rows if not row["fault"]]
    assert sum(map(flagged, clean)) <= 4  # a rate of 1% exceeds it once in two hundred


def test_plainly_wrong_labels_are_found():
    (core,) = (one for one in CHANGES["QB-24C"] if one.name == "core-1.4")
    changes = plain_changes() | {"QB-24C": core}  # all beyond 20 noise SDs
    judged = judge_shop(replace(make_mislabelled("pair", 0), changes=changes))
    wrong = set(judged.pulls.filter(judged.pulls["setup"] != judged.pulls["fitted"])["pull"])
    told = {one.pull for one in judged.found.findings if one.check.startswith("label")}
    assert len(wrong) == 6
    assert wrong <= told
    assert len(told - wrong) <= 2


def test_every_kind_of_shop_is_judged_once():
    every = [(task.kind, task.number) for task in tasks(2, 5)]
    assert len(set(every)) == len(every) == 4 * 5 + 2 * ((len(settings()) + 1) // 2)


def test_the_interval_is_the_published_one():
    # Clopper & Pearson: none of 10 is at most 1 - 0.025 ** (1 / 10), in closed form.
    assert exact_interval(0, 10) == pytest.approx((0.0, 1.0 - 0.025**0.1))
