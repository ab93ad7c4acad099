"""A whole day at the cell: logs dropped one by one, and the page of the watch after each.

A real watch in a process of its own, killed with -9 and started again; a void pull, a mislabelled
one, a half-written one. The engines are simulated, so the truth is known.
"""

from __future__ import annotations

import subprocess
import sys
import time
from datetime import UTC, datetime

import polars as pl
import pytest

import dynostats as ds
from dynostats.report.watch_page import FileNote, write_watch
from dynostats.simulate import Day, Fault, find_truth, quiet_session, simulate_days, write_log
from dynostats.simulate.day import open_day
from dynostats.simulate.scenario import BRAKE, SETUPS, TURBO_FIVE
from dynostats.warehouse import open_store

OLD, NEW = SETUPS["outlet-54"], SETUPS["outlet-70"]
PATIENCE_S = 180
SEED = 5
PAST = [
    Day(
        session=f"T{number:02d}",
        date=f"2025-0{number}-10",
        cell=BRAKE,
        engine=TURBO_FIVE,
        run=(OLD,) * 3,
    )
    for number in range(1, 7)
]
# What is truly fitted at each pull: planned is ABBAABBA. The third is void and repeated; the sixth
# should be the old outlet and has the new one still on.
FITTED = (OLD, NEW, NEW, NEW, OLD, NEW, OLD, NEW, NEW)
TODAY = Day(
    session="T07",
    date="2025-07-10",
    cell=BRAKE,
    engine=TURBO_FIVE,
    run=FITTED,
    faults={3: Fault(kind="torque_collapse", at=0.55, severity=0.7)},
)


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A warehouse with a past and a declared question, and the logs of the day to come."""
    folder = tmp_path_factory.mktemp("cell")
    past, today = folder / "past", folder / "today"
    past.mkdir()
    today.mkdir()
    rows = []
    for pull in simulate_days([*PAST, TODAY], seed=SEED):
        write_log(pull, today if pull.session == TODAY.session else past)
        if pull.session != TODAY.session:
            rows.append(
                {
                    "file": pull.file,
                    "engine": pull.engine,
                    "dyno": pull.dyno,
                    "session": pull.session,
                    "setup": pull.setup,
                    "order": pull.order,
                }
            )
    pl.DataFrame(rows).write_csv(past / "sheet.csv")
    warehouse = folder / "shop.duckdb"
    with ds.open_warehouse(warehouse) as opened:
        opened.ingest(past)
        plan = opened.plan(
            effect=0.75,
            looks=None,
            seed=4,
            engine=TURBO_FIVE.name,
            dyno=BRAKE.name,
            baseline=OLD.name,
            candidate=NEW.name,
            session=TODAY.session,
        )
        assert plan.pulls_per_setup == 4
        opened.declare(plan, who="Ada")
    assert plan.orders == (tuple("ABBAABBA"),)
    return warehouse, today


class Cell:
    """The running watch, the folder it watches, and its page in a browser."""

    def __init__(self, warehouse, folder, page) -> None:
        """Start the watch."""
        self.warehouse, self.folder = warehouse, folder
        self.page, self.file = page, warehouse.with_name("cell.html")
        self.process = None
        self.start()

    def start(self):
        """Start a watch in a process of its own."""
        command = [sys.executable, "-m", "dynostats", "--warehouse", str(self.warehouse)]
        command += ["watch", str(self.folder), "--settle", "0.5", "--page", str(self.file)]
        self.process = subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        )

    def kill(self):
        """End it as a power cut does."""
        self.process.kill()
        self.process.wait()
        self.process.stderr.close()

    def drop(self, name, data):
        """Let a file land whole, as a logger does that renames it when it is done."""
        draft = self.folder / f".{name}.part"
        draft.write_bytes(data)
        draft.replace(self.folder / name)

    def read(self, selector):
        """Return what the page says now; "" where it has no such part."""
        self.page.goto(self.file.as_uri())
        found = self.page.locator(selector)
        return found.inner_text() if found.count() else ""

    def see(self, selector, words):
        """Wait until the page says something, and return what it says there."""
        until = time.monotonic() + PATIENCE_S
        said = ""
        while time.monotonic() < until:
            if self.file.exists():
                said = self.read(selector)
                if words in said:
                    return said
            assert self.process.poll() is None, self.process.stderr.read()
            time.sleep(0.3)
        pytest.fail(f"the page never said '{words}' at {selector}; last: {said}")
        return ""

    def pulls(self):
        """Return file, setup and state of the day's pulls."""
        frame = ds.open_warehouse(self.warehouse).pulls(session=TODAY.session).frame
        return frame.select("file", "setup", "state").rows()


@pytest.fixture
def cell(shop, browser, tmp_path):
    """A running watch over an empty folder."""
    warehouse, _ = shop
    logs = tmp_path / "logs"
    logs.mkdir()
    context = browser.new_context(viewport={"width": 1600, "height": 1000})
    running = Cell(warehouse, logs, context.new_page())
    yield running
    running.kill()
    context.close()


def test_a_day_from_the_first_pull_to_the_stop(cell, shop):
    _, today = shop
    logs = [path.read_bytes() for path in sorted(today.iterdir())]
    assert len(logs) == len(FITTED)
    two_good_pulls(cell, logs)
    a_void_pull(cell, logs)
    a_half_written_file_and_a_power_cut(cell, logs)
    a_power_cut_just_after_a_file_lands(cell, logs)
    a_mislabelled_pull(cell, logs)
    the_look_that_stops(cell, logs)
    check_the_study_stopped_where_its_boundary_says(cell)
    check_the_page(cell)


def two_good_pulls(cell, logs):
    cell.see("#last", "none yet")
    assert cell.read("#next .huge") == OLD.name
    assert cell.read("#decision .huge") == "▶ go on"
    cell.drop("run1.csv", logs[0])
    cell.see("#last", "run1.csv")
    assert cell.read("#last .big") == "accepted"
    assert cell.read("#next .huge") == NEW.name
    assert "pull 2 of 8" in cell.read("#next")
    cell.drop("run2.csv", logs[1])
    cell.see("#last", "run2.csv")
    assert "+" in cell.read("#effect .big")
    assert "decides with probability" in cell.read("#advice")
    assert "oil temperature" in cell.read("#changes")


def a_void_pull(cell, logs):
    """It is not accepted, and its setup is to be repeated."""
    cell.drop("run3.csv", logs[2])
    said = cell.see("#last", "run3.csv")
    assert "not accepted" in said
    assert "Torque falls" in said
    assert cell.read("#next .huge") == NEW.name
    assert "pull 3 of 8" in cell.read("#next")


def a_half_written_file_and_a_power_cut(cell, logs):
    """It is waited for and never a pull; after the power cut it is there whole."""
    half = cell.folder / "run4.csv"
    half.write_bytes(logs[3][: len(logs[3]) // 2])
    cell.see("#files", "run4.csv")
    cell.see("#files", "stuck")
    assert [file for file, _, _ in cell.pulls()] == ["run1.csv", "run2.csv", "run3.csv"]
    cell.kill()
    half.write_bytes(logs[3])
    cell.file.unlink()
    cell.start()
    cell.see("#last", "run4.csv")
    assert cell.read("#last .big") == "accepted"
    assert cell.read("#files") == ""
    assert cell.read("#next .huge") == OLD.name


def a_power_cut_just_after_a_file_lands(cell, logs):
    """Whenever the blow falls, the file is a pull once."""
    cell.drop("run5.csv", logs[4])
    time.sleep(0.7)
    cell.kill()
    cell.start()
    cell.see("#last", "run5.csv")
    assert [file for file, _, _ in cell.pulls()].count("run5.csv") == 1


def a_mislabelled_pull(cell, logs):
    """The run order says the old outlet; the new one is still on, and the data say so."""
    assert cell.read("#next .huge") == OLD.name
    cell.drop("run6.csv", logs[5])
    cell.see("#last", "run6.csv")
    assert cell.read("#last .big") == "accepted, look at it"
    assert OLD.name in cell.read("#doubts")
    with ds.open_warehouse(cell.warehouse) as opened:
        wrong = opened.pulls(session=TODAY.session).frame.filter(file="run6.csv")["pull"][0]
        opened.amend(wrong, "setup", NEW.name, why="the new outlet was still on", who="Ada")
    departures = cell.see("#departures", "was run A B B A B; declared was A B B A A")
    assert "the new outlet was still on" in departures
    assert cell.read("#doubts") == ""


def the_look_that_stops(cell, logs):
    """The third pair brings the first look that can claim anything."""
    assert cell.read("#next .huge") == OLD.name
    cell.drop("run7.csv", logs[6])
    cell.see("#decision .huge", "stop: gain")
    assert "all looks taken into account" in cell.read("#effect")
    assert cell.read("#next .huge") == "cool down"


def check_the_study_stopped_where_its_boundary_says(cell):
    """Hold the stored looks against the page, the truth, and what `compare` shows of it."""
    with open_store(cell.warehouse) as store:
        looks = store.looks(1)
    *before, last = looks.iter_rows(named=True)
    assert [look["pairs"] for look in looks.iter_rows(named=True)] == [1, 2, 3]
    assert all(look["decision"] == "go on" for look in before)
    assert last["decision"] == "stop: gain"
    assert 0.005 <= last["level"] < 0.05
    assert last["low_pct"] > 0
    assert last["low_pct"] < true_effect_pct() < last["high_pct"]
    finding = ds.open_warehouse(cell.warehouse).compare(baseline=OLD.name, candidate=NEW.name)
    assert finding.declared is not None
    assert [look.decision for look in finding.declared.looks] == ["go on", "go on", "stop: gain"]
    assert any("was run" in text for text in finding.declared.departures)


def true_effect_pct():
    """Return the true mean effect over the band, in the air of the day."""
    air = open_day(TODAY, SEED, len(PAST))[0].air
    return find_truth(TURBO_FIVE, OLD, NEW, quiet_session(BRAKE, TURBO_FIVE, air)).effect_pct


def check_the_page(cell):
    """Big enough for across the room, no sideways scroll, renewed, and silent when it is fresh."""
    size = cell.page.eval_on_selector(
        "#decision .huge", "e => parseFloat(getComputedStyle(e).fontSize)"
    )
    assert size >= 64
    overflow = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert cell.page.evaluate(overflow) <= 0
    assert not cell.page.locator("#stale").is_visible()
    cell.kill()
    text = cell.file.read_text("utf-8")
    written = text.split('data-written="')[1].split('"')[0]
    cell.page.goto(cell.file.as_uri())
    cell.file.write_text(text.replace(written, str(int(written) - 60)), encoding="utf-8")
    cell.page.wait_for_selector("#stale:not([hidden])")  # the open page renews itself
    assert "the watch is not running" in cell.page.locator("#stale").inner_text()
    cell.start()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_accessibility_finding_on_page_and_run_sheet(
    axe_findings, visit, shop, tmp_path, scheme
):
    opened = ds.open_warehouse(shop[0])
    names = {"baseline": OLD.name, "candidate": NEW.name, "session": "T08"}
    plan = opened.plan(effect=1.0, engine=TURBO_FIVE.name, seed=1, **names)
    sheet = opened.run_sheet(plan, tmp_path / "run_sheet.html")
    page = tmp_path / "watch.html"
    note = FileNote(file="run9.csv", state="stuck", why="the file breaks off in its last line")
    write_watch(opened.study(1), (note,), page, written=datetime.now(UTC))
    for path in (page, sheet):
        seen = visit(path, wait=False, bypass_csp=True, color_scheme=scheme).page
        assert axe_findings(seen) == [], path.name
