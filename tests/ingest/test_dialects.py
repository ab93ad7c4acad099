"""Property: any valid log, written in any dialect, reads back as the same numbers."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from dynostats.errors import InputError
from dynostats.ingest import Log, load_channel_table, read_log, read_plain, understand

# Stored name, names in the trade's languages, unit, decimals to choose from.
CHANNELS = {
    "time": (("Time", "Zeit", "Temps", "Tiempo", "Tempo"), "s", (2, 3)),
    "engine_speed": (("RPM", "Motordrehzahl", "Régime moteur", "Giri motore"), "1/min", (0, 1, 3)),
    "torque": (("Torque", "Drehmoment", "Couple", "Par motor", "Coppia"), "N.m", (0, 1, 2, 3)),
    "manifold_pressure": (("MAP", "Ladedruck abs."), "kPa", (0, 1, 3)),
    "lambda": (("Lambda", "Luftverhältnis"), "-", (2, 3)),
    "oil_temperature": (("Oil Temp", "Öltemperatur"), "°C", (0, 1)),
    "exhaust_temperature_3": (("EGT 3", "Abgastemp. Zyl. 3"), "°C", (0, 1)),
    "wastegate_duty": (("Wastegate duty",), "%", (0, 1, 3)),
}
PREAMBLE = ("Test bed log", "Engine: mule 3", "Test no.: 0147", "Note: as found, no change; ok")


@dataclass(frozen=True)
class Dialect:
    """A way of writing a table."""

    delimiter: str
    decimal: str
    thousands: str
    encoding: str
    newline: str
    units: str
    preamble: int
    quote_all: bool
    last_newline: bool
    trailing_delimiter: bool


@st.composite
def dialects(draw):
    decimal = draw(st.sampled_from(".,"))
    thousands = draw(st.sampled_from(["", "", {".": ",", ",": "."}[decimal], " ", "'", "\u00a0"]))
    return Dialect(
        delimiter=draw(st.sampled_from(",;\t|")),
        decimal=decimal,
        thousands=thousands,
        encoding=draw(
            st.sampled_from(
                ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252"]
            )
        ),
        newline=draw(st.sampled_from(["\n", "\r\n", "\r", "mixed"])),
        units=draw(st.sampled_from(["row", "[]", "()", "row[]"])),
        preamble=draw(st.integers(0, len(PREAMBLE))),
        quote_all=draw(st.booleans()),
        last_newline=draw(st.booleans()),
        trailing_delimiter=draw(st.booleans()),
    )


@st.composite
def logs(draw, *, proving: bool):
    """Return stored name to (header, unit, decimals, values); `proving`: one tells the sign."""
    others = draw(st.permutations([name for name in CHANNELS if name != "engine_speed"]))
    chosen = ["engine_speed", "torque", *(n for n in others if n != "torque")][
        : draw(st.integers(2, len(CHANNELS)))
    ]
    if proving and "time" not in chosen:
        chosen.append("time")
    order = draw(st.permutations(chosen))
    rows = draw(st.integers(2, 25))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    ranges = {
        "time": np.cumsum(rng.uniform(0.05, 0.15, rows)),
        "engine_speed": np.linspace(*sorted(rng.uniform(900.0, 9500.0, 2)), rows),
        "torque": rng.uniform(40.0, 1500.0, rows),
        "manifold_pressure": rng.uniform(100.0, 280.0, rows),
        "lambda": rng.uniform(0.7, 1.3, rows),
        "oil_temperature": rng.uniform(60.0, 130.0, rows),
        "exhaust_temperature_3": rng.uniform(300.0, 1050.0, rows),
        "wastegate_duty": rng.uniform(-5.0, 100.0, rows),
    }
    log = {}
    for name in order:
        titles, unit, decimals = CHANNELS[name]
        places = 2 if proving and name == "time" else draw(st.sampled_from(decimals))
        log[name] = (draw(st.sampled_from(titles)), unit, places, ranges[name].round(places))
    return log


def write_number(value: float, places: int, dialect: Dialect) -> str:
    text = f"{value:,.{places}f}"
    return text.replace(",", "\0").replace(".", dialect.decimal).replace("\0", dialect.thousands)


def write_cell(text: str, dialect: Dialect) -> str:
    if dialect.quote_all or dialect.delimiter in text:
        return f'"{text}"'
    return text


def write_log(log, dialect: Dialect) -> bytes:
    heads = [
        title + {"[]": f" [{unit}]", "()": f" ({unit})"}.get(dialect.units[-2:], "")
        for title, unit, _, _ in log.values()
    ]
    table = [heads]
    if dialect.units.startswith("row"):
        table.append([unit for _, unit, _, _ in log.values()])
    columns = [
        [write_number(value, places, dialect) for value in values]
        for _, _, places, values in log.values()
    ]
    table.extend(zip(*columns, strict=True))
    tail = dialect.delimiter if dialect.trailing_delimiter else ""
    rows = [dialect.delimiter.join(write_cell(cell, dialect) for cell in row) for row in table]
    lines = [*PREAMBLE[: dialect.preamble], *(row + tail for row in rows)]
    ends = ["\r\n", "\n", "\r"] if dialect.newline == "mixed" else [dialect.newline]
    text = "".join(line + ends[place % len(ends)] for place, line in enumerate(lines))
    if not dialect.last_newline:
        text = text.rstrip("\r\n")
    return text.encode(dialect.encoding)


def assert_same(log, result) -> None:
    for name, (_, _, places, values) in log.items():
        np.testing.assert_allclose(
            result.samples[name].to_numpy(), values, rtol=0, atol=10.0**-places * 1e-6, err_msg=name
        )


@settings(max_examples=250, deadline=None, derandomize=True)
@given(log=logs(proving=True), dialect=dialects())
def test_any_dialect_gives_the_same_numbers(log, dialect):
    data = write_log(log, dialect)
    table = load_channel_table()
    first = read_log(data, name="x.csv", table=table)
    assert_same(log, first)
    assert read_log(data, name="x.csv", table=table).samples.equals(first.samples)


@settings(max_examples=250, deadline=None, derandomize=True)
@given(log=logs(proving=False), dialect=dialects())
def test_a_log_that_may_be_read_two_ways_is_read_right_or_refused(log, dialect):
    result = read_or_refuse(write_log(log, dialect), load_channel_table())
    if isinstance(result, str):
        assert "two ways" in result
    else:
        assert_same(log, result)


def read_or_refuse(data: bytes, table) -> Log | str:
    try:
        return read_log(data, name="x.csv", table=table)
    except InputError as error:
        return str(error)


@settings(max_examples=250, deadline=None, derandomize=True)
@given(data=st.data(), log=logs(proving=True), dialect=dialects())
def test_what_was_read_before_changes_nothing(data, log, dialect):
    """A second file with the same header, otherwise written, reads as if it were the first."""
    body = [name for name, column in log.items() if column[2]]
    rewritten = {
        name: (title, unit, data.draw(st.integers(0, 4)) if name in body else places, values)
        for name, (title, unit, places, values) in log.items()
    }
    other = replace(
        dialect,
        decimal=data.draw(st.sampled_from(".,")),
        thousands="",
        quote_all=data.draw(st.booleans()),
        last_newline=data.draw(st.booleans()),
    )
    lines = write_log(rewritten, other).decode(other.encoding).split("\n")
    place = data.draw(st.integers(0, len(lines) - 1))
    change = data.draw(st.sampled_from(["", "\n", ";", ",", "nan", " ", "1e5", "_", "-"]))
    lines[place] += change
    second = "\n".join(lines).encode(other.encoding)
    fresh, used = replace(load_channel_table()), replace(load_channel_table())
    read_log(write_log(log, dialect), name="x.csv", table=used)
    expected, found = read_or_refuse(second, fresh), read_or_refuse(second, used)
    assert_equally_read(expected, found)
    # Together with others of its header, whole and odd, it is read as it is alone, or set aside.
    whole = write_log(log, dialect)
    for files in ([second, whole], [whole, second, whole]):
        for file, table in zip(files, read_plain(files, used), strict=True):
            if table is not None:
                alone = read_or_refuse(file, fresh)
                again = understand(table, fresh, name="x.csv", sha256=alone.sha256, sheet=None)
                assert_equally_read(alone, again)


def assert_equally_read(expected, found):
    """Compare two readings of the same bytes: the same numbers to the last bit, or one refusal."""
    if isinstance(expected, str) or isinstance(found, str):
        assert found == expected
    else:
        assert found.samples.equals(expected.samples)
        assert found.findings == expected.findings
        assert found.metadata == expected.metadata
