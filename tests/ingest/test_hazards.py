"""Every hazard of ours comes out as stated, through a whole ingest into a warehouse."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hazards import HAZARDS, faults_of, ingest_hazard


@pytest.mark.parametrize("hazard", HAZARDS, ids=lambda hazard: hazard.what)
def test_hazard(hazard, tmp_path):
    report, stored = ingest_hazard(hazard, tmp_path)
    assert faults_of(hazard, report, stored) == []


def test_a_hazard_that_comes_out_otherwise_is_noticed(tmp_path):
    """The check itself: each thing it looks at, made wrong, is told."""
    good = HAZARDS[0]
    report, stored = ingest_hazard(good, tmp_path)
    for change, told in (
        ({"pulls": 2}, "1 pull, not 2"),
        ({"void": True}, "not left out"),
        ({"words": ("never said",)}, "never says 'never said'"),
        ({"channels": {"torque": None}}, "torque is there"),
        ({"channels": {"boost": [1.0]}}, "boost is missing"),
        ({"channels": {"torque": [301.0] * 40}}, "torque differs"),
    ):
        assert any(told in fault for fault in faults_of(replace(good, **change), report, stored))
