"""Files of our own that are easy to read wrong, and what must come of each.

Invented values: one pull, torque 300 + 20 sin N.m from 2000 to 5900 rpm, a sample every 0.1 s.
"""

from __future__ import annotations

import gzip
import io
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from decimal import Decimal
from pathlib import Path

import openpyxl
import polars as pl

import dynostats as ds
from dynostats.intake import IngestReport
from dynostats.warehouse import open_store
from dynostats.words import count

ROWS = 40
TIME = [round(0.1 * i, 1) for i in range(ROWS)]
SPEED = [2000.0 + 100.0 * i for i in range(ROWS)]
TORQUE = [round(300.0 + 20.0 * math.sin(i / 6.0), 2) for i in range(ROWS)]
POWER = [round(t * n * math.pi / 30_000.0, 3) for t, n in zip(TORQUE, SPEED, strict=True)]
BOOST = [round(80.0 + i / 4, 2) for i in range(ROWS)]  # kPa gauge
START = datetime.fromisoformat("2025-03-14 23:59:58")  # local time of the shop
NAMES = ("Time [s]", "Engine Speed [rpm]", "Torque [Nm]")


Numbers = Sequence[float | None]
Sheet = openpyxl.worksheet.worksheet.Worksheet


@dataclass(frozen=True, slots=True, kw_only=True)
class Hazard:
    """A file, and what must come of it.

    Args:
        what: What is hazardous about it.
        file: Its name.
        make: Gives its bytes.
        pulls: How many pulls must be stored; 0 when it must be refused.
        void: Whether they must be left out of the analyses.
        words: Words that the findings, or the refusal, must hold.
        channels: Channels of the first pull that must come out as these numbers; None for one that
            must not be there.
    """

    what: str
    file: str
    make: Callable[[], bytes]
    pulls: int = 1
    void: bool = False
    words: Sequence[str] = ()
    channels: Mapping[str, Numbers | None] = field(default_factory=dict)


def text(
    columns: Sequence[Sequence[object]] = (TIME, SPEED, TORQUE),
    names: Sequence[str] = NAMES,
    *,
    delimiter: str = ",",
    write: Callable[[object], str] = str,
    units: str = "",
    encoding: str = "utf-8",
) -> Callable[[], bytes]:
    """Return what makes a delimited text."""
    rows = [delimiter.join(map(write, row)) for row in zip(*columns, strict=True)]
    body = "\n".join(rows)
    return lambda: f"{delimiter.join(names)}\n{units}{body}\n".encode(encoding)


def book(fill: Callable[[Sheet], None]) -> Callable[[], bytes]:
    """Return what makes a workbook of one sheet."""

    def make() -> bytes:
        workbook = openpyxl.Workbook()
        fill(workbook.active)
        out = io.BytesIO()
        workbook.save(out)
        return out.getvalue()

    return make


def rows_of(*columns: Sequence[object], names: Sequence[str] = NAMES):
    """Return what writes columns below their names."""

    def fill(sheet: Sheet) -> None:
        sheet.append(list(names))
        for row in zip(*columns, strict=True):
            sheet.append(list(row))

    return fill


def parquet(frame: pl.DataFrame) -> Callable[[], bytes]:
    """Return what makes a Parquet file."""

    def make() -> bytes:
        out = io.BytesIO()
        frame.write_parquet(out)
        return out.getvalue()

    return make


def _merged_title(sheet: Sheet) -> None:
    sheet["A1"] = "Cell 2, afternoon"
    sheet.merge_cells("A1:C1")
    sheet["A2"] = "clock"
    sheet["B2"] = "measured"
    sheet.merge_cells("B2:C2")
    rows_of(TIME, SPEED, TORQUE)(sheet)


def _clock(t: float) -> str:
    return (START + timedelta(seconds=t)).strftime("%H:%M:%S.%f")[:-5]


def _decimal_comma(value: object) -> str:
    return str(value).replace(".", ",")


def _grouped(mark: str) -> Callable[[object], str]:
    return lambda value: f"{value:,}".replace(",", mark)


GOOD = {"time": TIME, "engine_speed": SPEED, "torque": TORQUE}
_THREE = ([0.1 * i for i in range(3 * ROWS)], SPEED * 3, TORQUE * 3)
_RESTARTED = text()() + text()()

HAZARDS = (
    Hazard(
        what="UTF-16, big end first, with byte-order mark",
        file="utf16be.csv",
        make=lambda: b"\xfe\xff" + text(encoding="utf-16-be")(),
        channels=GOOD,
    ),
    Hazard(
        what="columns kept apart by bars", file="bars.txt", make=text(delimiter="|"), channels=GOOD
    ),
    Hazard(
        what="columns kept apart by runs of blanks",
        file="blanks.txt",
        make=text(delimiter="   "),
        channels=GOOD,
    ),
    Hazard(
        what="decimal comma and comma between the cells, unquoted",
        file="two_commas.csv",
        make=text(write=_decimal_comma),
        pulls=0,
        words=("6 cells", "names 3 columns"),
    ),
    Hazard(
        what="apostrophe between thousands",
        file="apostrophe.csv",
        make=text(
            ([1000.0 * t for t in TIME], SPEED, TORQUE),
            ("Time [ms]", *NAMES[1:]),
            delimiter=";",
            write=_grouped("'"),
        ),
        channels=GOOD,
    ),
    Hazard(
        what="narrow no-break space between thousands",
        file="narrow.csv",
        make=text(delimiter=";", write=_grouped("\u202f")),
        channels=GOOD,
    ),
    Hazard(
        what="clock of the day, over midnight",
        file="clock.csv",
        make=text(([_clock(t) for t in TIME], SPEED, TORQUE), ("Time", *NAMES[1:])),
        channels=GOOD,
    ),
    Hazard(what="three pulls in one file", file="three.csv", make=text(_THREE), pulls=3),
    Hazard(
        what="header again in the middle: the logger was restarted",
        file="restarted.csv",
        make=lambda: _RESTARTED,
        pulls=2,
        words=("header stands again on line 42",),
    ),
    Hazard(
        what="time in minutes",
        file="minutes.csv",
        make=text(([f"{t / 60:.12f}" for t in TIME], SPEED, TORQUE), ("Time [min]", *NAMES[1:])),
        channels=GOOD,
    ),
    Hazard(
        what="speed in revolutions a second, torque in kgf.m",
        file="units.csv",
        make=text(
            (TIME, [f"{n / 60:.9f}" for n in SPEED], [f"{t / 9.80665:.9f}" for t in TORQUE]),
            ("Time [s]", "Engine Speed [1/s]", "Torque [kgf.m]"),
        ),
        channels=GOOD,
    ),
    Hazard(
        what="a unit that is none of a torque",
        file="wrong_unit.csv",
        make=text(names=("Time [s]", "Engine Speed [rpm]", "Torque [degC]")),
        void=True,
        words=("degC measures temperature",),
        channels={"torque": None},
    ),
    Hazard(
        what="a unit nobody knows",
        file="no_unit.csv",
        make=text(names=("Time [s]", "Engine Speed [rpm]", "Torque [furlong stone]")),
        void=True,
        words=("'furlong stone' is not known",),
        channels={"torque": None},
    ),
    Hazard(
        what="gauge pressure, no barometer anywhere",
        file="gauge.csv",
        make=text((TIME, SPEED, TORQUE, BOOST), (*NAMES, "Boost [kPa gauge]")),
        channels={**GOOD, "manifold_pressure": None},
        words=("barometer",),
    ),
    Hazard(
        what="gauge pressure and a barometer that reads gauge itself",
        file="gauge_barometer.csv",
        make=text(
            (TIME, SPEED, TORQUE, BOOST, [0.0] * ROWS), (*NAMES, "Boost [kPa gauge]", "Baro [kPa]")
        ),
        channels={**GOOD, "manifold_pressure": None, "ambient_pressure": None},
        words=("kept as ambient_pressure_as_found", "barometer is not known"),
    ),
    Hazard(
        what="gauge pressure in psi, barometer in hPa",
        file="gauge_hpa.csv",
        make=text(
            (TIME, SPEED, TORQUE, [f"{b / 6.894757293168361:.9f}" for b in BOOST], [986.0] * ROWS),
            (*NAMES, "Boost [psi gauge]", "Baro [hPa]"),
        ),
        channels={**GOOD, "manifold_pressure": [b + 98.6 for b in BOOST]},
    ),
    Hazard(
        what="torque and power that disagree by 5%",
        file="disagree.csv",
        make=text((TIME, SPEED, TORQUE, [1.05 * p for p in POWER]), (*NAMES, "Power [kW]")),
        words=("+5.00 %", "Nothing was rescaled"),
    ),
    Hazard(
        what="NaN, INF, n/a and --- in cells",
        file="words.csv",
        make=text((TIME, SPEED, ["NaN", *TORQUE[1:7], "INF", "n/a", "---", *TORQUE[10:]])),
        channels={"torque": [None, *TORQUE[1:7], None, None, None, *TORQUE[10:]]},
        words=("4 cell",),
    ),
    Hazard(
        what="torque column empty throughout",
        file="hollow.csv",
        make=text((TIME, SPEED, [""] * ROWS)),
        void=True,
        words=("neither torque nor power",),
    ),
    Hazard(
        what="a gzip file called .csv",
        file="packed.csv",
        make=lambda: gzip.compress(text()(), mtime=0),
        pulls=0,
        words=("compressed (gzip)",),
    ),
    Hazard(
        what="a workbook called .csv",
        file="book.csv",
        make=book(rows_of(TIME, SPEED, TORQUE)),
        channels=GOOD,
    ),
    Hazard(what="a text called .xlsx", file="text.xlsx", make=text(), channels=GOOD),
    Hazard(
        what="XLSX with merged cells above the header",
        file="merged.xlsx",
        make=book(_merged_title),
        channels=GOOD,
    ),
    Hazard(
        what="XLSX with numbers typed as text, decimal comma",
        file="typed.xlsx",
        make=book(
            rows_of(*([_decimal_comma(v) for v in column] for column in (TIME, SPEED, TORQUE)))
        ),
        channels=GOOD,
    ),
    Hazard(
        what="XLSX with the clock as dates",
        file="dates.xlsx",
        make=book(
            rows_of(
                [START + timedelta(seconds=t) for t in TIME],
                SPEED,
                TORQUE,
                names=("Time", *NAMES[1:]),
            )
        ),
        channels=GOOD,
    ),
    Hazard(
        what="XLSX with the clock as times of day",
        file="times.xlsx",
        make=book(
            rows_of(
                [time(16, 5, int(t), round(1e6 * (t % 1)) % 1_000_000) for t in TIME],
                SPEED,
                TORQUE,
                names=("Time", *NAMES[1:]),
            )
        ),
        channels=GOOD,
    ),
    Hazard(
        what="XLSX with formulas that were never worked out",
        file="formulas.xlsx",
        make=book(rows_of(TIME, SPEED, [f"=300+{i}" for i in range(ROWS)])),
        void=True,
        words=("neither torque nor power",),
    ),
    Hazard(
        what="XLSX with an error in a cell",
        file="errors.xlsx",
        make=book(rows_of(TIME, SPEED, [TORQUE[0], "#DIV/0!", *TORQUE[2:]])),
        channels={"torque": [TORQUE[0], None, *TORQUE[2:]]},
        words=("1 cell",),
    ),
    Hazard(
        what="Parquet with decimals, small integers and a duration",
        file="types.parquet",
        make=parquet(
            pl.DataFrame(
                {
                    "Time": [timedelta(seconds=t) for t in TIME],
                    "Engine Speed [rpm]": pl.Series([int(n) for n in SPEED], dtype=pl.UInt16),
                    "Torque [Nm]": pl.Series(
                        [Decimal(str(t)) for t in TORQUE], dtype=pl.Decimal(10, 2)
                    ),
                }
            )
        ),
        channels=GOOD,
    ),
    Hazard(
        what="Parquet with time stamps, a list and a text column",
        file="stamps.parquet",
        make=parquet(
            pl.DataFrame(
                {
                    "Time": [START + timedelta(seconds=t) for t in TIME],
                    "Engine Speed [rpm]": SPEED,
                    "Torque [Nm]": TORQUE,
                    "knocks": [[1, 2]] * ROWS,
                    "gear": ["third"] * ROWS,
                }
            )
        ),
        channels=GOOD,
    ),
    Hazard(
        what="Parquet cut short",
        file="cut.parquet",
        make=lambda: parquet(pl.DataFrame({"a": SPEED}))()[:-40],
        pulls=0,
        words=("cannot be read",),
    ),
    Hazard(
        what="two torque columns that say the same",
        file="twice.csv",
        make=text((TIME, SPEED, TORQUE, TORQUE), (*NAMES, "Torque [Nm]")),
        channels=GOOD,
        words=("both say the same",),
    ),
    Hazard(
        what="only one row of samples",
        file="one_row.csv",
        void=True,
        words=("there is no pull in it. Log a full-load pull",),
        make=lambda: b"Time [s],Engine Speed [rpm],Torque [Nm]\n0,2000,300\n",
    ),
    Hazard(
        what="numbers with a plus sign and exponents",
        file="exponents.csv",
        make=text(write=lambda v: f"{v:+.6E}"),
        channels=GOOD,
    ),
    Hazard(
        what="unit cells in brackets below the names, and an empty line",
        file="below.csv",
        make=text(names=("Time", "Engine Speed", "Torque"), units="[s],[rpm],[Nm]\n\n"),
        channels=GOOD,
    ),
    Hazard(
        what="speed of the roller beside engine speed",
        file="roller.csv",
        make=text(
            (TIME, [n / 4 for n in SPEED], SPEED, TORQUE),
            ("Time [s]", "Roller Speed [rpm]", "Engine Speed [rpm]", "Torque [Nm]"),
        ),
        channels=GOOD,
    ),
    Hazard(
        what="a line of 2 MB without end",
        file="long.csv",
        make=lambda: b"Time [s],RPM,Torque [Nm]\n" + b"1" * 2_000_000,
        pulls=0,
        words=("no data rows",),
    ),
)


def ingest_hazard(hazard: Hazard, folder: Path) -> tuple[IngestReport, pl.DataFrame | None]:
    """Ingest a hazard into a warehouse of its own; return the report and what is stored of it.

    Args:
        hazard: The file.
        folder: An empty folder to work in.
    """
    (folder / hazard.file).write_bytes(hazard.make())
    (folder / "sheet.csv").write_text(f"file,engine,session,setup\n{hazard.file},mule,s,a\n")
    warehouse = folder / "shop.duckdb"
    report = ds.open_warehouse(warehouse).ingest(folder)
    if not report.stored:
        return report, None
    with open_store(warehouse) as store:
        return report, store.samples(report.stored[0].pull)


def faults_of(hazard: Hazard, report: IngestReport, stored: pl.DataFrame | None) -> list[str]:
    """Return what did not come out as it must."""
    found = []
    if len(report.stored) != hazard.pulls or bool(report.refused) != (hazard.pulls == 0):
        found.append(f"{count(len(report.stored), 'pull')}, not {hazard.pulls}")
    found += ["not left out" for entry in report.stored if hazard.void and not entry.excluded]
    found += [entry.excluded for entry in report.stored if entry.excluded and not hazard.void]
    said = answer_of(report)
    found += [f"never says '{words}'" for words in hazard.words if words not in said]
    for channel, wanted in hazard.channels.items() if stored is not None else ():
        if wanted is None:
            found += [f"{channel} is there"] * (channel in stored.columns)
        elif channel not in stored.columns:
            found.append(f"{channel} is missing")
        elif not _same(stored[channel].to_list(), wanted):
            found.append(f"{channel} differs: {stored[channel].to_list()[:4]} …")
    return found


def answer_of(report: IngestReport) -> str:
    """Return all that a report says of its one file."""
    if report.refused:
        return " ".join(f"{entry.what} {entry.mend}" for entry in report.refused)
    findings = dict.fromkeys(f.message for entry in report.stored for f in entry.findings)
    voids = dict.fromkeys(entry.excluded for entry in report.stored if entry.excluded)
    return " ".join([*findings, *voids])


def _same(found: Numbers, wanted: Numbers) -> bool:
    return len(found) == len(wanted) and all(
        (one is None) == (other is None)
        and (one is None or math.isclose(one, other, rel_tol=1e-7, abs_tol=1e-7))
        for one, other in zip(found, wanted, strict=True)
    )
