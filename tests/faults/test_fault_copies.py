"""Random work in a warehouse, then its copies: a backup and an export hold all of it."""

from __future__ import annotations

import contextlib
import math
from datetime import datetime

import pytest

import dynostats as ds
from dynostats.errors import DynostatsError
from dynostats.warehouse import KINDS, NewEvent, backup, export, open_store, restore, verify

WORDS = ("mule", "größer", "a,b", 'say "so"', "line\nbreak", "'; drop table pulls; --", "0012", "µ")


def write_any_log(folder, chance, number):
    """Write a log of one to three rises, with odd channels, gaps and texts in it."""
    extras = {
        name: chance.choice(
            [lambda i: f"{i / 7:.3f}", lambda _: "on", lambda i: "" if i % 3 else "1"]
        )
        for name in chance.sample(
            ["boost drain", "Öl µ", 'quoted "x"', "plain"], chance.randint(0, 3)
        )
    }
    quoted = (f'"{name.replace(chr(34), chr(34) * 2)}"' for name in extras)
    lines = [",".join(["time [s]", "engine_speed [rpm]", "torque [N.m]", "lambda", *quoted])]
    torque, at = 200 + chance.random() * 200, 0
    for _ in range(chance.randint(1, 3)):
        for i in range(chance.randint(20, 60)):
            thinned = "" if i % 11 == 5 else f"{0.85 + i / 1000:.4f}"
            cells = [
                f"{at / 20:.2f}",
                f"{2000 + 70 * i}",
                f"{torque + 5 * math.sin(i):.3f}",
                thinned,
            ]
            lines.append(",".join([*cells, *(make(i) for make in extras.values())]))
            at += 1
    path = folder / f"any{number}.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def add_logs(warehouse, folder, chance, step):
    logs = [write_any_log(folder, chance, f"{step}-{n}") for n in range(chance.randint(1, 4))]
    sheet = folder / f"sheet{step}.csv"
    rows = [
        f"{log.name},mule,s{step % 3},{chance.choice('ab')},{chance.choice(['', '7'])}"
        for log in logs
    ]
    sheet.write_text("\n".join(["file,engine,session,setup,tyre", *rows]) + "\n")
    ds.open_warehouse(warehouse).ingest(*logs, sheet=sheet)


def correct(warehouse, chance):
    """Make one random correction; those that make no sense are refused, and change nothing."""
    word = chance.choice(WORDS)
    why = f"because of {word}"
    with open_store(warehouse, write=True) as store, contextlib.suppress(DynostatsError):
        pull = chance.choice(store.pulls()["pull"].to_list())
        what = chance.randrange(7)
        if what == 0:
            store.exclude(pull, why=why, who=word)
        elif what == 1:
            store.include(pull, why=why, who=word)
        elif what == 2:
            field = chance.choice(["engine", "dyno", "session", "setup", "notes", "tyre"])
            store.amend(pull, field, chance.choice([word, ""]), why=why, who=word)
        elif what == 3:
            field, value = chance.choice(
                [("order", "4"), ("ambient_pressure", "98.6"), ("started", "2025-03-14 16:05")]
            )
            store.amend(pull, field, value, why=why, who=word)
        elif what == 4:
            store.describe_setup("mule", "b", relative_to="a", changed=word, why=why, who=word)
        elif what == 5:
            at = datetime(2025, 3, chance.randint(1, 28), 12)  # noqa: DTZ001 - local time of the shop
            store.log_event(
                NewEvent(
                    dyno=chance.choice([None, word]),
                    kind=min(KINDS),
                    happened_at=at,
                    what=word,
                    who=word,
                )
            )
        else:
            store.withdraw_event(f"E{chance.randint(1, 3)}", why=why, who=word)


def original_bytes(warehouse):
    with open_store(warehouse) as store:
        return {key: store.source(key) for key in store.sources()["sha256"]}


def test_random_work_goes_through_backup_and_export_and_comes_back(tmp_path, chance, times, count):
    done = {"pulls": 0, "files": 0, "amendments": 0, "events": 0, "curves": 0}
    for trial in range(times(1, 40)):
        place = tmp_path / str(trial)
        place.mkdir()
        warehouse, copy, again = (place / f"{name}.duckdb" for name in ("shop", "copy", "again"))
        add_logs(warehouse, place, chance, 0)
        for step in range(1, chance.randint(4, 14)):
            kind = chance.random()
            if kind < 0.2:
                add_logs(warehouse, place, chance, step)
            elif kind < 0.3:
                ds.open_warehouse(warehouse).reingest(who="anybody")
            else:
                correct(warehouse, chance)
        before = verify(warehouse)
        assert before.faults == ()
        backup(warehouse, copy)
        assert verify(copy) == before
        export(warehouse, place / "out")
        restore(place / "out", again)
        assert verify(again) == before  # sources, samples, curves, amendments: every checksum
        assert original_bytes(again) == original_bytes(copy) == original_bytes(warehouse)
        for name, table in zip(
            done, ("pulls", "sources", "amendments", "cell_events", "curves"), strict=True
        ):
            done[name] += before.rows[table]
    count(
        "backup, and export then restore, after random work: equal checksums", times(1, 40), **done
    )
    assert done["amendments"] > 0


@pytest.mark.parametrize("sheet", [True, False], ids=["with its sheet", "without its sheet"])
def test_the_originals_of_an_export_can_be_ingested_anew(logs, undisturbed, tmp_path, sheet):
    """An export needs no `restore`: what lies in sources/ are the files themselves."""
    export(undisturbed, tmp_path / "out")
    options = {"sheet": logs / "sheet.csv"} if sheet else {}
    report = ds.open_warehouse(tmp_path / "new.duckdb").ingest(
        tmp_path / "out" / "sources", **options
    )
    assert len(report.stored) == (60 if sheet else 0)
    assert {entry.sha256 for entry in report.stored} <= set(original_bytes(undisturbed))
    assert len(report.refused) == (0 if sheet else 60)
