"""kill -9 at random moments of an ingest: what was reported as stored is there, bit for bit."""

from __future__ import annotations

import json
import subprocess
import time

from fault_logs import LOGS
from ingest_and_tell import BATCH
from polars.testing import assert_frame_equal

from dynostats.warehouse import open_store, verify


def run_for(command, seconds):
    """Run a command, kill it some time after it is ready; return what it told and whether whole."""
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout.readline() == "ready\n"
        time.sleep(seconds)
        process.kill()
        lines = process.stdout.read().splitlines(keepends=True)
    whole = [line for line in lines if line.endswith("\n")]
    told = [json.loads(line) for line in whole if line.startswith("{")]
    return told, "done\n" in whole


def check_everything_told_is_there(warehouse, told, expected):
    """Compare every stored pull with what the importer reads; return how many there are."""
    with open_store(warehouse) as store:
        pulls = store.pulls()
        files = dict(pulls.select("pull", "file").rows())
        assert {entry["pull"]: entry["file"] for entry in told}.items() <= files.items()
        for pull, file in files.items():
            assert_frame_equal(store.samples(pull), expected[file], check_exact=True)
        assert pulls.height % BATCH == 0, "a batch is stored whole or not at all"
        assert store.sources().height == pulls.height
        assert store.curves()["pull"].n_unique() == pulls.height
    assert verify(warehouse).faults == ()
    return pulls.height


def test_a_killed_ingest_loses_nothing_it_reported(  # noqa: PLR0917 - fixtures
    kill_plan, expected, tmp_path, chance, times, count
):
    teller_command, whole_run_s = kill_plan
    kills = {"before_any_commit": 0, "between": 0, "after_the_last": 0}
    for trial in range(times(8, 120)):
        warehouse = tmp_path / f"shop{trial}.duckdb"
        told, _ = run_for(teller_command(warehouse), chance.uniform(0, 1.1) * whole_run_s)
        if not warehouse.exists():
            assert told == []
            kills["before_any_commit"] += 1
            continue
        stored = check_everything_told_is_there(warehouse, told, expected)
        moment = {0: "before_any_commit", LOGS: "after_the_last"}.get(stored, "between")
        kills[moment] += 1
        if trial % 4 == 0:  # the same command again goes on where it stopped
            subprocess.run(teller_command(warehouse), check=True, stdout=subprocess.DEVNULL)
            assert check_everything_told_is_there(warehouse, told, expected) == LOGS
        warehouse.unlink()
    count(**{f"killed_{moment}": number for moment, number in kills.items()})
    assert kills["between"] > 0, "no kill met an ingest at work; the moments are chosen wrongly"


def test_one_warehouse_survives_one_kill_after_the_other(
    kill_plan, expected, tmp_path, chance, times
):
    teller_command, whole_run_s = kill_plan
    warehouse = tmp_path / "shop.duckdb"
    told = []
    for _ in range(times(3, 30)):
        more, finished = run_for(teller_command(warehouse), chance.uniform(0, 0.5) * whole_run_s)
        told += more
        if warehouse.exists():
            check_everything_told_is_there(warehouse, told, expected)
        if finished:
            break
    subprocess.run(teller_command(warehouse), check=True, stdout=subprocess.DEVNULL)
    assert check_everything_told_is_there(warehouse, told, expected) == LOGS
    leftovers = [path.name for path in tmp_path.iterdir() if path.name.startswith(".")]
    # A kill while the warehouse itself is made may leave its draft; never the warehouse half-made.
    assert all(name.startswith(".shop.duckdb-") for name in leftovers)
