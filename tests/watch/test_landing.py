"""A file in the folder: taken when it is whole, and never before."""

from __future__ import annotations

import pytest
from cell_day import log_of, touch_later

from dynostats.errors import InputError
from dynostats.ingest import load_channel_table
from dynostats.intake.landing import PATIENCE, Folder

TEXT = log_of(1.0, seed=1)
SETTLE = 2.0


@pytest.fixture
def folder(tmp_path):
    return Folder(tmp_path, settle_s=SETTLE, table=load_channel_table(None))


def states(folder, now):
    return {one.file.shown: one.state for one in folder.look(now)}


def test_a_whole_file_is_ready_after_it_has_stood_still(folder, tmp_path):
    (tmp_path / "a.csv").write_text(TEXT)
    assert states(folder, 0.0) == {"a.csv": "waiting"}
    assert states(folder, SETTLE / 2) == {"a.csv": "waiting"}
    assert states(folder, SETTLE) == {"a.csv": "ready"}


def test_a_growing_file_is_never_ready(folder, tmp_path):
    path = tmp_path / "a.csv"
    lines = TEXT.splitlines(keepends=True)
    for count in range(2, len(lines)):
        path.write_text("".join(lines[:count]))
        touch_later(path, seconds=count)
        assert states(folder, SETTLE * 0.9 * count) == {"a.csv": "waiting"}


@pytest.mark.parametrize("back", range(1, 52))
def test_a_file_cut_anywhere_within_a_row_is_never_ready(folder, tmp_path, back):
    """Every place of the last two lines but their ends; a line cut at its end is whole."""
    cut = TEXT[:-back]
    (tmp_path / "a.csv").write_text(cut)
    seen = {states(folder, now)["a.csv"] for now in (0.0, SETTLE, 2 * SETTLE)}
    whole_lines = TEXT.splitlines()
    if cut.endswith("\n"):
        assert seen == {"waiting", "ready"}
        return
    assert seen == {"waiting"}
    late = "ready" if cut.splitlines()[-1] in whole_lines else "stuck"
    assert states(folder, PATIENCE * SETTLE) == {"a.csv": late}


def test_a_stuck_file_says_where_it_breaks_off(folder, tmp_path):
    (tmp_path / "a.csv").write_text(TEXT[:-30])
    for now in (0.0, PATIENCE * SETTLE):
        (landing,) = folder.look(now)
    assert landing.state == "stuck"
    assert "breaks off" in landing.why


def test_a_stuck_file_that_is_finished_becomes_ready(folder, tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(TEXT[:-30])
    folder.look(0.0)
    assert states(folder, PATIENCE * SETTLE) == {"a.csv": "stuck"}
    path.write_text(TEXT)
    later = PATIENCE * SETTLE + 1.0
    assert states(folder, later) == {"a.csv": "waiting"}
    assert states(folder, later + SETTLE) == {"a.csv": "ready"}


def test_a_last_line_without_an_end_needs_patience(folder, tmp_path):
    (tmp_path / "a.csv").write_text(TEXT.rstrip("\n"))
    folder.look(0.0)
    (landing,) = folder.look(SETTLE)
    assert (landing.state, landing.why) == ("waiting", "its last line has no end yet")
    assert states(folder, PATIENCE * SETTLE) == {"a.csv": "ready"}


def test_a_header_alone_is_waited_for_then_said_to_be_no_log(folder, tmp_path):
    (tmp_path / "a.csv").write_text(TEXT.splitlines()[0] + "\n")
    folder.look(0.0)
    assert states(folder, SETTLE) == {"a.csv": "waiting"}
    assert states(folder, PATIENCE * SETTLE) == {"a.csv": "stuck"}


def test_what_was_dealt_with_comes_back_only_when_it_changes(folder, tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(TEXT)
    folder.look(0.0)
    (landing,) = folder.look(SETTLE)
    folder.done(landing)
    assert folder.look(SETTLE) == ()
    path.write_text(TEXT + TEXT.splitlines(keepends=True)[-1])
    assert states(folder, SETTLE) == {"a.csv": "waiting"}


def test_hidden_and_passing_files_sheets_and_others_are_no_logs(folder, tmp_path):
    for name in (".a.csv.part", "b.csv.part", "~$c.xlsx", "sheet.csv", "page.html"):
        (tmp_path / name).write_text(TEXT)
    assert folder.look(0.0) == ()


def test_the_oldest_comes_first(folder, tmp_path):
    for name, seconds in (("z.csv", 0), ("a.csv", 60)):
        (tmp_path / name).write_text(TEXT)
        touch_later(tmp_path / name, seconds=seconds)
    assert [one.file.shown for one in folder.look(0.0)] == ["z.csv", "a.csv"]


def test_a_file_that_goes_away_is_forgotten(folder, tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(TEXT)
    folder.look(0.0)
    path.unlink()
    assert folder.look(1.0) == ()


def test_no_folder_is_refused(tmp_path):
    missing = Folder(tmp_path / "none", settle_s=1.0, table=load_channel_table(None))
    with pytest.raises(InputError, match="no such file or folder"):
        missing.look(0.0)
