"""Files read together give what each gives alone: the same bits, findings and verdicts."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dynostats.ingest import load_channel_table, read_plain, read_sheet
from dynostats.intake import pulls
from dynostats.intake.steps import read_parts
from dynostats.simulate import demo_shop, write_demo
from dynostats.warehouse import Source

HEADER = b"time [s],engine_speed [rpm],torque [N.m]\n"


@pytest.fixture(scope="module")
def tasks(tmp_path_factory):
    """The demo shop's files, void and faulty ones among them, as an ingest asks for them."""
    folder = tmp_path_factory.mktemp("shop")
    write_demo(demo_shop(), folder)
    (sheet,) = folder.rglob("sheet.csv")
    rows = {row.file: row for row in read_sheet(sheet)}
    return [
        pulls.Task(
            shown=name,
            source=Source(file=name, sha256=name, data=next(folder.rglob(name)).read_bytes()),
            rows=(row,),
        )
        for name, row in rows.items()
    ]


def assert_same(one, other):
    assert one.readings == other.readings
    assert one.metadata == other.metadata
    assert one.labels == other.labels
    assert len(one.parts) == len(other.parts)
    for part, again in zip(one.parts, other.parts, strict=True):
        assert (part.first_row, part.findings, part.void) == (
            again.first_row,
            again.findings,
            again.void,
        )
        for mine, its in ((part.samples, again.samples), (part.curve, again.curve)):
            assert mine.names == its.names
            assert mine.values.tobytes() == its.values.tobytes()


def test_a_whole_shop_read_together_is_as_read_file_by_file(tasks):
    table = load_channel_table()
    # Each file by itself, with a table that has seen nothing: the careful reading, every time.
    alone = [pulls.read_files([task], table=replace(table))[0] for task in tasks]
    pulls.read_files(tasks, table=table)  # now the headers are known
    datas = [task.source.data for task in tasks]
    assert sum(raw is not None for raw in read_plain(datas, table)) > 40
    together = pulls.read_files(tasks, table=table)
    for one, other in zip(alone, together, strict=True):
        assert_same(one, other)
    assert any(part.findings for result in together for part in result.parts)
    assert any(part.void for result in together for part in result.parts)


def test_frames_made_together_are_as_made_alone(tasks):
    results = pulls.read_files(tasks, table=load_channel_table())
    together = pulls.outcomes_of(tasks, results)
    for task, result, news in zip(tasks, results, together, strict=True):
        (alone,) = pulls.outcomes_of([task], [result])
        for one, other, part in zip(alone, news, result.parts, strict=True):
            assert one.samples.equals(other.samples)
            assert one.curve.equals(other.curve)
            assert other.samples.equals(part.samples.frame())
            assert (other.findings, other.void) == (one.findings, one.void)


def log(rows, *, shift=0.0, end=b"\n"):
    lines = [f"{i * 0.05:.2f},{2000 + 10 * i},{300 + shift + i / 7:.3f}" for i in range(rows)]
    return HEADER + "\n".join(lines).encode() + end


ODD = {
    "a missing cell": log(30).replace(b",2050,", b",,"),
    "a text": log(30).replace(b",2050,", b",open,"),
    "a short row": log(30) + b"1.50,2300\n",
    "a long row": log(30) + b"1.50,2300,300.100,7\n",
    "an empty line inside": log(30).replace(b"\n0.50", b"\n\n0.50"),
    "a number no float can hold": log(30).replace(b",2050,", b",1e999,"),
    "no decimal sign that is certain": HEADER + b"1,2000,300.125\n2,2010,300.250\n",
    "a last number cut short": log(30, end=b"")[:-2],
    "a blank": log(30).replace(b",2050,", b", 2050,"),
    "another header": log(30).replace(b"torque", b"power"),
    "no header": log(30)[len(HEADER) :],
    "words below": log(30) + b"max,2290,304.1\n",
    "no text": b"\x00\x01\x02" * 40,
    "nothing": b"",
}


def test_an_odd_file_among_others_is_left_to_the_careful_reading():
    table = replace(load_channel_table())
    plain = [log(20), log(35, shift=2.0, end=b""), log(20, shift=-1.0).replace(b"\n", b"\r\n")]
    assert read_plain(plain, table) == [None] * 3  # the header is not known yet
    read_parts(Source(file="x", sha256="x", data=log(25)), table=table, ambient=None)
    found = read_plain([*plain, *ODD.values(), *plain], table)
    assert [table is not None for table in found] == [True] * 3 + [False] * len(ODD) + [True] * 3
    assert [result.values.shape for result in found[:3]] == [(3, 20), (3, 35), (3, 20)]
    assert found[1].values[:, -1].tolist() == [1.70, 2340.0, 306.857]
    for first, last in zip(found[:3], found[-3:], strict=True):
        assert first.values.tobytes() == last.values.tobytes()
