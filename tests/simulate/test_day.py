from __future__ import annotations

import polars as pl

from dynostats.simulate import Day, Fault, Setup, simulate_days, write_log
from dynostats.simulate.scenario import BREATHING_FOUR, QUIET

A, B = Setup(name="a"), Setup(name="b", filling=1.02)


def day(session, date, **options):
    return Day(session=session, date=date, cell=QUIET, engine=BREATHING_FOUR, **options)


FIRST = day("one", "2025-01-07", run=(A, B))
SECOND = day(
    "two",
    "2025-01-14",
    run=(A, B, B),
    labels={3: "a"},
    faults={2: Fault(kind="ends_early", at=0.5)},
    notes={2: "lifted"},
)


def test_pulls_come_in_order_with_what_the_sheet_says_and_what_is_true():
    pulls = simulate_days((FIRST, SECOND), 5)
    assert [(p.file, p.setup, p.fitted, p.order) for p in pulls] == [
        ("one-01.csv", "a", "a", 1),
        ("one-02.csv", "b", "b", 2),
        ("two-01.csv", "a", "a", 1),
        ("two-02.csv", "b", "b", 2),
        ("two-03.csv", "a", "b", 3),
    ]
    assert pulls[3].notes == "lifted"
    assert pulls[3].samples.height < 0.6 * pulls[2].samples.height


def test_a_day_added_later_changes_no_earlier_one():
    alone, together = simulate_days((FIRST,), 5), simulate_days((FIRST, SECOND), 5)
    assert all(one.samples.equals(two.samples) for one, two in zip(alone, together, strict=False))


def test_a_session_has_one_air():
    airs = {(pull.session, pull.air.pressure_kpa) for pull in simulate_days((FIRST, SECOND), 5)}
    assert len(airs) == 2


def test_one_log_can_be_written_alone(tmp_path):
    pull = simulate_days((FIRST,), 5)[0]
    path = write_log(pull, tmp_path)
    assert path == tmp_path / "one-01.csv"
    log = pl.read_csv(path, separator=";", decimal_comma=True)
    assert log.height == pull.samples.height
    assert (log["torque [N.m]"] - pull.samples["torque"]).abs().max() <= 0.0051
