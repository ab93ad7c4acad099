"""A warehouse file cut short or overwritten: every command says so in words."""

from __future__ import annotations

import contextlib

import pytest

from dynostats.errors import DynostatsError
from dynostats.intake import ingest
from dynostats.warehouse import backup, export, open_store, verify

HEADERS = 3 * 4096  # of the storage engine: one for the file, two that take turns


@pytest.fixture(scope="module")
def sound(logs, tmp_path_factory):
    """The bytes of a sound warehouse, and its verification."""
    warehouse = tmp_path_factory.mktemp("sound") / "shop.duckdb"
    ingest([logs], warehouse=warehouse)
    verification = verify(warehouse)
    assert verification.faults == ()
    return warehouse.read_bytes(), verification


def damage(data, chance):
    """Return a damaged copy of bytes, and what was done."""
    at = chance.randrange(len(data)) if chance.random() > 0.15 else chance.randrange(HEADERS)
    kind = chance.choice(["cut short", "one bit", "overwritten", "zeroed"])
    length = min(chance.choice([1, 64, 4096, 100_000]), len(data) - at)
    if kind == "cut short":
        return data[:at], f"cut short at {at}"
    if kind == "one bit":
        patch, length = bytes([data[at] ^ 1 << chance.randrange(8)]), 1
    else:
        patch = chance.randbytes(length) if kind == "overwritten" else bytes(length)
    return data[:at] + patch + data[at + length :], f"{kind} at {at}, {length} bytes"


def use_everything(warehouse, tmp_path):
    """Use a warehouse in every way; each either works or says why not in words."""
    for use in (
        lambda store: store.pulls(),
        lambda store: store.curves(),
        lambda store: store.samples("P1"),
        lambda store: store.source(store.sources()["sha256"][0]),
        lambda store: store.query("select count(*) from samples"),
        lambda store: store.query_to(tmp_path / "out.csv", "from findings"),
        lambda store: store.amendments(),
    ):
        with contextlib.suppress(DynostatsError), open_store(warehouse) as store:
            use(store)
    with contextlib.suppress(DynostatsError):
        backup(warehouse, tmp_path / "copy.duckdb")
    with contextlib.suppress(DynostatsError):
        export(warehouse, tmp_path / "out")


def test_verify_finds_every_damage_that_matters(sound, tmp_path, chance, times, count):
    data, verification = sound
    found = harmless = 0
    for trial in range(times(15, 200)):
        damaged, what = damage(data, chance)
        warehouse = tmp_path / f"shop{trial}.duckdb"
        warehouse.write_bytes(damaged)
        answer = verify(warehouse)  # an answer, never an exception
        if answer.faults:
            found += 1
            assert all(fault.what and fault.where for fault in answer.faults)
        else:
            # Zeros over zeros, or the header whose turn it was not: nothing that is kept is lost.
            harmless += 1
            assert answer == verification, what
        warehouse.unlink()
    count(
        "warehouse file cut short, overwritten or zeroed: does `verify` say so",
        found + harmless,
        found_and_said_in_words=found,
        met_nothing_that_is_kept=harmless,
    )
    assert found > harmless


def test_no_command_meets_damage_with_a_traceback(sound, tmp_path, chance, times, count):
    data, _ = sound
    for trial in range(times(4, 60)):
        folder = tmp_path / str(trial)
        folder.mkdir()
        warehouse = folder / "shop.duckdb"
        warehouse.write_bytes(damage(data, chance)[0])
        use_everything(warehouse, folder)
    count("every use of a damaged warehouse: an answer or an error in words", times(4, 60))


def test_damage_is_told_in_words_with_what_to_do(sound, tmp_path):
    data, _ = sound
    warehouse = tmp_path / "shop.duckdb"
    warehouse.write_bytes(data[: len(data) // 2])
    words = {fault.what for fault in verify(warehouse).faults}
    assert words == {"the warehouse file is damaged: it is shorter than it was"}
    assert all("backup" in fault.mend for fault in verify(warehouse).faults)
    warehouse.write_bytes(data[:HEADERS] + b"\x55" * 300_000 + data[HEADERS + 300_000 :])
    assert any("part of it is not what was written" in f.what for f in verify(warehouse).faults)


def test_ingesting_into_a_damaged_warehouse_never_reports_what_it_cannot_keep(  # noqa: PLR0917
    sound, logs, tmp_path, chance, times, count
):
    data, _ = sound
    (tmp_path / "more").mkdir()
    new = tmp_path / "more" / "new.csv"
    new.write_text((logs / "run000.csv").read_text().replace("2000,", "2001,"))
    (tmp_path / "more" / "sheet.csv").write_text("file,engine,session,setup\nnew.csv,e,s,x\n")
    refused = 0
    for trial in range(times(4, 60)):
        warehouse = tmp_path / f"shop{trial}.duckdb"
        warehouse.write_bytes(damage(data, chance)[0])
        try:
            report = ingest([new], warehouse=warehouse)
        except DynostatsError:
            refused += 1
            continue
        with open_store(warehouse) as store:
            assert store.samples(report.stored[0].pull).height == 60
    count("an ingest into a damaged warehouse", times(4, 60), refused_in_words=refused)
