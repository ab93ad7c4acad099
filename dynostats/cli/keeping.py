"""The commands that keep the warehouse safe: is it whole, copies of it, and the way back."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from dynostats.cli.output import answer_console, print_json, tell, working
from dynostats.cli.settings import answers, current, current_warehouse


@click.command()
@answers
def verify() -> int:
    """Check that the warehouse is whole.

    Everything in it is read, every stored file is compared with its SHA-256, and nothing may be
    half-stored. Exit status 1 if anything is wrong.

    \b
    Example:
      dynostats verify
    """
    with working("reading everything"):
        found = current_warehouse().verify()
    faults = len(found.faults)
    wrong = {"what": f"{faults} fault(s) found", "where": str(current().warehouse), "mend": ""}
    if current().as_json:
        print_json(found.to_dict() | ({} if found.sound else {"error": wrong}))
    elif found.sound:
        rows = ", ".join(f"{count} {table}" for table, count in found.rows.items() if count)
        answer_console().print(f"The warehouse is whole: {rows}.")
    for fault in found.faults:
        tell(f"{fault.where}: {fault.what}")
        if fault.mend:
            tell(f"  {fault.mend}")
    return 0 if found.sound else 1


_SHOWN = 10


@click.command()
@answers
@click.argument("report", type=click.Path(exists=True, dir_okay=False, path_type=Path))
def reproduce(report: Path) -> int:
    """Make a report again and say whether every number is the same.

    Its question is asked of the warehouse as it stood when the report was made: pulls stored since
    and corrections made since are left out. Exit status 1 if anything differs.

    \b
    Example:
      dynostats reproduce finding.html
    """
    with working("asking the question again"):
        found = current_warehouse().reproduce(report)
    wrong = len(found.differences) + len(found.missing)
    if current().as_json:
        what = {"what": f"{wrong} of its values differ", "where": str(report), "mend": ""}
        print_json(found.to_dict() | ({} if found.same else {"error": what}))
    elif found.same:
        answer_console().print(
            f"The same: {found.numbers:,} numbers and {found.texts:,} other values, asked of the "
            f"warehouse as it stood on {found.as_of:%Y-%m-%d %H:%M:%S} UTC."
        )
    for file in found.missing:
        tell(f"{file}: the warehouse does not hold this file")
    for one in found.differences[:_SHOWN]:
        tell(f"{one.where}: the report says {one.filed}, the pulls say {one.now}")
    if len(found.differences) > _SHOWN:
        tell(f"and {len(found.differences) - _SHOWN:,} more; --json lists all")
    if not found.same and found.made_with != found.run_with:
        tell(f"The report was made with dynostats {found.made_with}; this is {found.run_with}.")
    return 0 if found.same else 1


@click.command()
@answers
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
def backup(file: Path) -> None:
    """Copy the warehouse to a new file, consistently.

    \b
    Example:
      dynostats backup /media/stick/shop-2025-09-16.duckdb
    """
    with working("copying"):
        written = current_warehouse().backup(file)
    _say_written(written, "A copy of the warehouse")


@click.command()
@answers
@click.argument("folder", metavar="DIR", type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--layout",
    type=click.Choice(["tables", "lake"]),
    default="tables",
    show_default=True,
    help="One file a table and the original files, or pulls and curves for an archive of shops.",
)
def export(folder: Path, layout: Literal["tables", "lake"]) -> None:
    """Write everything as open files.

    Pulls, samples, curves and amendments as Parquet, and the original files byte for byte. With
    --layout lake only pulls and curves, parted by warehouse, dyno and year, into a folder that may
    hold those of other warehouses; dictionary.csv there says what each column is.

    \b
    Example:
      dynostats export shop-as-files
      dynostats export --layout lake archive
    """
    what = "Everything as open files" if layout == "tables" else "Pulls and curves as a lake"
    with working("writing everything"):
        written = current_warehouse().export(folder, layout=layout)
    _say_written(written, what)


@click.command()
@answers
@click.argument("folder", metavar="DIR", type=click.Path(file_okay=False, path_type=Path))
def restore(folder: Path) -> None:
    """Make a new warehouse of an export.

    Every pull, sample, source and amendment is put back as it was. --warehouse names the file to
    make; it must not exist.

    \b
    Example:
      dynostats --warehouse again.duckdb restore shop-as-files
    """
    with working("putting everything back"):
        written = current_warehouse().restore(folder)
    _say_written(written, "The warehouse, from its export")


def _say_written(path: Path, what: str) -> None:
    if current().as_json:
        print_json({"out": str(path)})
    else:
        answer_console().print(f"{what}: {path}", soft_wrap=True)
