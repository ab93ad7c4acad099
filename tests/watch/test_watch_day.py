"""Days at the cell, pull by pull: labels from the run order, voids, departures, looks, restarts."""

from __future__ import annotations

import pytest
from cell_day import BASELINE, CANDIDATE, Cell, factor_of, log_of, make_shop

import dynostats as ds
from dynostats.errors import InputError
from dynostats.warehouse import open_store

ORDER = ("old", "new", "new", "old", "old", "new", "new", "old")


def setups(cell):
    frame = ds.open_warehouse(cell.warehouse).pulls(session="today").frame
    return frame.select("setup", "order", "state").rows()


def run_pulls(cell, count, *, start=1, gain=0.03):
    """Drop so many logs under names of the logger's own, as the run order wants them."""
    for number in range(start, start + count):
        setup = cell.wait(times=1).state.progress.next.setup
        scene = cell.drop(
            f"auto{number:03d}.csv", log_of(factor_of(setup, gain), seed=1000 + number)
        )
    return scene


def test_labels_come_from_the_run_order(cell):
    run_pulls(cell, 4)
    assert setups(cell) == [
        (name, place, "accepted") for place, name in enumerate(ORDER[:4], start=1)
    ]
    assert [event.kind for event in cell.events] == ["stored"] * 4


def test_a_file_named_on_the_run_sheet_gets_its_row(cell):
    scene = cell.drop("today-02.csv", log_of(factor_of(CANDIDATE), seed=3))
    assert setups(cell) == [(CANDIDATE, 1, "accepted")]
    assert scene.state.progress.next.setup == BASELINE


def test_warm_ups_are_kept_and_not_counted(cell):
    scene = cell.drop("today-warm-up-1.csv", log_of(1.0, seed=3))
    assert setups(cell) == [("warm-up", None, "accepted")]
    assert (scene.state.progress.baseline, scene.state.progress.candidate) == (0, 0)
    assert run_pulls(cell, 1).state.progress.baseline == 1


def test_a_sheet_in_the_folder_comes_first(cell):
    rows = "file,engine,dyno,session,setup,order,notes\nx.csv,mill,cell,today,new,7,by hand\n"
    (cell.logs / "sheet.csv").write_text(rows)
    cell.drop("x.csv", log_of(factor_of(CANDIDATE), seed=3))
    assert setups(cell) == [(CANDIDATE, 7, "accepted")]


def test_a_large_gain_stops_the_study_at_the_first_look_that_can_claim(cell):
    scene = run_pulls(cell, 6, gain=0.05)
    looks = scene.state.looks
    assert scene.state.decision == "stop: gain"
    assert [look.level > 0 for look in looks] == [False] * (len(looks) - 1) + [True]
    assert looks[-1].low_pct > 0
    assert looks[-1].low_pct < 5.0 < looks[-1].high_pct
    with open_store(cell.warehouse) as store:
        assert store.looks(1).height == len(looks)
    after = run_pulls(cell, 1, start=7, gain=0.05).state
    assert after.looks == looks
    assert after.decision == "stop: gain"


def test_no_change_that_matters_stops_too(tmp_path):
    warehouse, logs, _ = make_shop(tmp_path / "wide")
    with ds.open_warehouse(warehouse) as open_shop:
        wide = open_shop.plan(
            effect=1.0,
            looks=None,
            seed=4,
            engine="mill",
            dyno="cell",
            baseline=BASELINE,
            candidate=CANDIDATE,
            session="today",
            margin_pct=3.0,
        )
        open_shop.declare(wide)
    scene = run_pulls(Cell(warehouse, logs), 2 * wide.pulls_per_setup, gain=0.0)
    assert scene.state.decision == "stop: no meaningful change"


def test_before_it_stops_it_says_how_likely_one_more_pair_decides(cell):
    scene = run_pulls(cell, 4, gain=0.003)
    assert not scene.state.stopped
    assert 0.0 <= scene.state.outlook.decides <= 1.0
    assert sum(scene.state.outlook.verdicts.values()) == pytest.approx(1.0)
    assert "decides with probability" in scene.state.advice()


def test_all_planned_pulls_end_an_undecided_study_and_one_more_needs_a_sheet(cell):
    planned = cell.watch.declared.pulls_per_setup
    scene = run_pulls(cell, 2 * planned, gain=0.0015)
    assert scene.state.decision == "stop: undecided, all planned pulls are in"
    assert scene.state.progress.next is None
    (note,) = cell.drop("extra.csv", log_of(1.0, seed=77)).notes()
    assert note.state == "refused"
    assert "sheet.csv" in note.why


def test_the_log_of_another_day_is_refused(cell):
    past = (cell.warehouse.parent / "past.csv").resolve()
    with open_store(cell.warehouse) as store:
        first = store.pulls().row(0, named=True)
        past.write_bytes(store.source(first["sha256"]))
    scene = cell.drop("auto001.csv", past.read_text("utf-8"))
    (note,) = scene.notes()
    assert note.state == "refused"
    assert f"stored already as {first['pull']}" in note.why
    assert setups(cell) == []


def test_a_void_pull_is_not_counted_and_repeated(cell):
    run_pulls(cell, 2)
    lines = log_of(1.03, seed=5).splitlines(keepends=True)
    scene = cell.drop("auto003.csv", "".join(lines[: len(lines) // 3]))
    assert setups(cell)[-1] == (CANDIDATE, 3, "excluded")
    assert "not accepted" in cell.events[-1].text
    assert scene.state.progress.next.setup == CANDIDATE
    again = run_pulls(cell, 1, start=4)
    assert setups(cell)[-1] == (CANDIDATE, 4, "accepted")
    assert again.state.departures == ()


def test_an_order_not_followed_is_shown(cell):
    for name in ("today-01.csv", "today-02.csv", "today-04.csv"):
        row = next(row for row in cell.watch.declared.rows if row.file == name)
        scene = cell.drop(name, log_of(factor_of(row.setup), seed=int(name[6:8])))
    assert scene.state.departures == ("Session today was run A B A; declared was A B B.",)


def test_a_half_written_file_is_not_taken_and_its_whole_is(cell):
    text = log_of(1.0, seed=9)
    (cell.logs / "auto001.csv").write_text(text[: len(text) // 2])
    scene = cell.wait(times=12)
    assert setups(cell) == []
    (note,) = scene.notes()
    assert note.state == "stuck"
    assert "breaks off" in note.why
    scene = cell.drop("auto001.csv", text)
    assert setups(cell) == [(BASELINE, 1, "accepted")]
    assert scene.notes() == ()


def test_a_file_taken_too_early_is_replaced_by_its_whole(cell):
    """Cut at the end of a line, standing still for long: it looked whole."""
    text = log_of(1.0, seed=9)
    lines = text.splitlines(keepends=True)
    cell.drop("auto001.csv", "".join(lines[:-6]))
    assert len(setups(cell)) == 1
    cell.drop("auto001.csv", text)
    states = [state for _, _, state in setups(cell)]
    assert states == ["excluded", "accepted"]
    assert [event.kind for event in cell.events][-1] == "superseded"


def test_a_correction_is_seen_and_shown(cell):
    run_pulls(cell, 3)
    with ds.open_warehouse(cell.warehouse) as shop:
        last = shop.pulls(session="today").frame["pull"][-1]
        shop.amend(last, "setup", BASELINE, why="old was still fitted", who="Ada")
    scene = cell.wait(times=1)
    assert (scene.state.progress.baseline, scene.state.progress.candidate) == (2, 1)
    told = " ".join(scene.state.departures)
    assert "was run A B A; declared was A B B" in told
    assert "was corrected (setup: old was still fitted) after look" in told


def test_a_restart_goes_on_where_it_stopped(cell):
    before = run_pulls(cell, 5)
    again = Cell(cell.warehouse, cell.logs)
    after = again.wait(times=4)
    assert again.events == []
    assert after.state.looks == before.state.looks
    assert after.state.progress.next == before.state.progress.next
    assert len(setups(again)) == 5


def test_a_pull_stored_by_a_watch_that_died_before_its_look_gets_it(cell):
    run_pulls(cell, 3)
    taken = len(run_pulls(cell, 0 + 1, start=4).state.looks)
    with open_store(cell.warehouse, write=True) as store:
        store._connection.execute("delete from looks where look = ?", [taken])
    assert len(Cell(cell.warehouse, cell.logs).wait(times=1).state.looks) == taken


def test_pulls_of_other_sessions_teach_noise_but_do_not_count(cell):
    with ds.open_warehouse(cell.warehouse) as shop:
        past = shop.pulls(session="past1").frame["pull"].to_list()
        for pull in past[1:3]:
            shop.amend(pull, "setup", CANDIDATE, why="renamed", who="Ada")
    scene = run_pulls(cell, 2, gain=0.05)
    assert scene.state.finding.pulls.baseline == 1
    assert scene.state.finding.pulls.candidate == 1
    assert scene.state.finding.noise.history_pulls == 24


def test_what_changed_since_the_session_began(cell):
    cell.drop("a.csv", log_of(1.0, seed=1, noise=0.0))
    cell.drop("b.csv", log_of(1.03, seed=2, noise=0.0))
    cell.drop("c.csv", log_of(1.031, seed=3, noise=0.0))
    scene = cell.drop("d.csv", log_of(1.01, seed=4, noise=0.0, oil_c=97.5))
    found = {change.name: change for change in scene.state.changes}
    assert found["torque"].now == pytest.approx(1.0, abs=0.01)
    oil = found["oil_temperature"]
    assert oil.now - oil.start == pytest.approx(5.5, abs=0.01)


def test_a_watch_needs_a_declared_question_and_a_folder(first_warehouse, tmp_path):
    shop = ds.open_warehouse(first_warehouse)
    with pytest.raises(InputError, match="no question was declared"):
        shop.watch(tmp_path)
    with pytest.raises(InputError, match="no such folder"):
        shop.watch(tmp_path / "none")
