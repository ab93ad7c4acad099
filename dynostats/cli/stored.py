"""The commands that fill and correct the warehouse, and list what is in it."""

from __future__ import annotations

from collections.abc import Callable, Generator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dynostats.cli import options
from dynostats.cli.gathered import gather, gather_alike
from dynostats.cli.output import answer_console, print_json, print_rows, say, tell
from dynostats.cli.settings import answers, current, current_warehouse
from dynostats.words import count, did_you_mean, spelled_alike

if TYPE_CHECKING:
    from rich.console import Console

    from dynostats.api import Amended
    from dynostats.intake import IngestReport, Progress

SHOWN_NAMES = 3

_WHY = click.option("--why", required=True, metavar="TEXT", help="The reason; kept in the history.")
_WHO = click.option("--who", metavar="NAME", help="Who says so [default: your login name].")


@click.command()
@answers
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="PATH…")
@click.option(
    "--sheet",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="CSV or XLSX, one row a pull: file, engine, session, setup, … [default: sheet.csv or "
    "sheet.xlsx beside the files].",
)
@options.channels()
def ingest(paths: tuple[Path, ...], sheet: Path | None, channels: Path | None) -> int:
    """Take log files or folders into the warehouse.

    Safe to repeat: what is stored already is skipped. A file that cannot be taken is named with
    the reason and stops no other; the exit status is 1 then. The original bytes are kept, so
    nothing that went in is ever lost.

    \b
    Examples:
      dynostats ingest pulls/ --sheet sheet.csv
      dynostats ingest run7.csv run8.csv --sheet sheet.xlsx
      dynostats --warehouse shop.duckdb ingest pulls/ --channels our_logger.toml
    """
    with ingest_progress() as progress:
        report = current_warehouse().ingest(
            *paths, sheet=sheet, channels=channels, progress=progress
        )
    status = print_ingest(report)
    if report.stored:
        _doubt_spellings()
    return status


def _doubt_spellings() -> None:
    """Say so where two labels differ in their spelling only: they are kept apart, and count so."""
    pulls = current_warehouse().pulls().frame
    for kind in ("engine", "dyno", "setup"):
        for alike in spelled_alike(pulls[kind].drop_nulls()):
            names = " and ".join(f"'{name}'" for name in alike)
            tell(f"Note: the {kind}s {names} are kept apart. If they are one, give it one name:")
            tell(f'  dynostats amend PULL {kind}="{alike[0]}" --why "one {kind}, spelled two ways"')


@click.command()
@answers
@click.argument("pulls", nargs=-1, metavar="[PULL…]")
@options.channels()
@_WHO
def reingest(pulls: tuple[str, ...], channels: Path | None, who: str | None) -> int:
    """Read stored files again with more channel names.

    Also with a better importer than the one that read them first. Names, labels, state and
    history of the pulls stay; a file that cannot be read now stays as it was. Without PULL, all
    files are read again.

    \b
    Examples:
      dynostats reingest --channels our_logger.toml
      dynostats reingest P12 P13
    """
    with ingest_progress() as progress:
        report = current_warehouse().reingest(*pulls, channels=channels, who=who, progress=progress)
    return print_ingest(report)


@contextmanager
def ingest_progress() -> Generator[Callable[[Progress], None]]:
    """Show a bar with rate and remaining time on standard error, if that is a terminal."""
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        ProgressColumn,
        Task,
        TextColumn,
        TimeRemainingColumn,
    )
    from rich.progress import Progress as Bar
    from rich.text import Text

    class RateColumn(ProgressColumn):
        """Files a second; nothing before the first ones are read."""

        def render(self, task: Task) -> Text:
            return Text("files" if task.speed is None else f"files, {task.speed:.0f}/s,")

    console = Console(stderr=True)
    columns = (
        TextColumn("reading"),
        BarColumn(),
        MofNCompleteColumn(),
        RateColumn(),
        TimeRemainingColumn(),
    )
    with Bar(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("", total=None)
        yield lambda progress: bar.update(task, completed=progress.done, total=progress.total)


def print_ingest(report: IngestReport) -> int:
    """Print what became of the files; return the exit status."""
    if current().as_json:
        print_json(report.to_dict())
    else:
        _print_stored(report, answer_console())
    _tell_refused(report)
    return 1 if report.refused else 0


def _tell_refused(report: IngestReport) -> None:
    """Say once why files were refused, with the files it holds for."""
    told: list[tuple[str, str]] = []
    for refused in report.refused:
        where = "" if refused.where in {"", refused.file} else f" ({refused.where})"
        mend = f"\n  {refused.mend}" if refused.mend else ""
        told.append((f"{refused.file}{where}", f"{refused.what}{mend}"))
    for files, text in gather_alike(told):
        tell(f"Refused {_some(files)}: {text}")


def _print_stored(report: IngestReport, console: Console) -> None:
    files = len({entry.sha256 for entry in report.stored})
    console.print(
        f"Stored {count(len(report.stored), 'pull')} from {count(files, 'file')}; "
        f"skipped {len(report.skipped)}; refused {len(report.refused)}."
    )
    readings = [reading for entry in report.stored for reading in entry.readings]
    became = {
        (reading.source, f"{reading.channel} [{reading.unit}]"): reading.how
        for reading in readings
        if reading.source
    }
    plain = [stored for source, stored in became if source == stored]
    if plain:
        console.print(f"\nColumns taken as they are named: {', '.join(plain)}.")
    others = [
        (f"'{source}'", stored, how) for (source, stored), how in became.items() if source != stored
    ]
    if others:
        console.print()
        print_rows(("column", "became", "because"), others)
    noticed = _noticed(report)
    if noticed:
        console.print("\nNoticed")
        print_rows(("in", "what"), noticed)


def _noticed(report: IngestReport) -> list[tuple[str, str]]:
    """Say once what was noticed, with the pulls it was noticed in."""
    from dynostats.curves.acceptance import DANGERS

    grave: list[tuple[str, str]] = []
    doubtful: list[tuple[str, str]] = []
    for entry in report.stored:
        name = f"{entry.pull} {entry.file}"
        if entry.excluded:
            grave.append((name, f"left out of the analyses: {entry.excluded}"))
        for one in entry.findings:
            if one.message.rstrip(".") in entry.excluded:
                continue  # said as the reason already
            if one.severity == "void" or one.check in DANGERS:
                grave.append((name, one.message))
            elif one.severity == "doubtful":
                doubtful.append((name, one.message))
    grave += [
        (pull, f"left out of the analyses now: {why}") for pull, why in report.left_out.items()
    ]
    told = [*gather(grave), *gather_alike(doubtful)]
    lines = [(_some(names), say(text)) for names, text in told]
    lines += [(entry.file, f"skipped: {entry.reason}") for entry in report.skipped[:SHOWN_NAMES]]
    if len(report.skipped) > SHOWN_NAMES:
        lines.append((f"{len(report.skipped) - SHOWN_NAMES} more", "skipped; --json names them"))
    return lines


def _some(names: list[str]) -> str:
    if len(names) <= SHOWN_NAMES:
        return ", ".join(names)
    return f"{names[0]} to {names[-1]} ({len(names)} of them)"


@click.command()
@answers
@click.option("--engine", metavar="E", help="Only this engine.")
@click.option("--dyno", metavar="D", help="Only this dyno.")
@click.option("--session", metavar="S", help="Only this session.")
@click.option("--setup", metavar="SETUP", help="Only this setup.")
@click.option(
    "--as-of",
    type=click.DateTime(),
    metavar="TIME",
    help="As it stood at that time, for example 2025-03-14T16:00:00.",
)
def pulls(
    engine: str | None,
    dyno: str | None,
    session: str | None,
    setup: str | None,
    as_of: datetime | None,
) -> None:
    """List what is stored, and in what state.

    A pull is accepted, or excluded with the reason.

    \b
    Examples:
      dynostats pulls
      dynostats pulls --engine QB-21T --setup outlet-70
      dynostats pulls --as-of 2025-09-16T12:00:00 --json
    """
    labels = {"engine": engine, "dyno": dyno, "session": session, "setup": setup}
    found = current_warehouse().pulls(**labels, as_of=as_of)
    if found.frame.is_empty():
        _say_unknown(labels)
    if current().as_json:
        print_json(found.to_dict())
        return
    shown = ("pull", "file", "engine", "dyno", "session", "setup", "order", "state", "why")
    rows = found.frame.select(*shown, "rpm_low", "rpm_high")
    print_rows(rows.columns, rows.rows())


def _say_unknown(labels: dict[str, str | None]) -> None:
    """Say which of the labels no pull has, and which it has that is most like it."""
    every = current_warehouse().pulls().frame
    unknown = [
        f"There is no {kind} '{name}'. {did_you_mean(name, stored)}".strip()
        for kind, name in labels.items()
        if name is not None and name not in (stored := set(every[kind].drop_nulls()))
    ]
    for text in unknown or ["No stored pull has these labels; without options, all are listed."]:
        tell(text)


@click.command()
@answers
@click.argument("pull")
@_WHY
@_WHO
def exclude(pull: str, why: str, who: str | None) -> None:
    """Leave a pull out of the analyses.

    It stays stored, with the reason, and `include` takes it back.

    \b
    Example:
      dynostats exclude P12 --why "boost hose came off at 4600 rpm"
    """
    _print_amended(current_warehouse().exclude(pull, why=why, who=who))


@click.command()
@answers
@click.argument("pull")
@_WHY
@_WHO
def include(pull: str, why: str, who: str | None) -> None:
    """Take an excluded pull back into the analyses.

    \b
    Example:
      dynostats include P12 --why "log looked at again, the pull was complete"
    """
    _print_amended(current_warehouse().include(pull, why=why, who=who))


@click.command()
@answers
@click.argument("pull")
@click.argument("change", metavar="FIELD=VALUE")
@_WHY
@_WHO
def amend(pull: str, change: str, why: str, who: str | None) -> None:
    """Correct what the paperwork said of a pull.

    What it said before stays in the history. FIELD is engine, dyno, session, setup, order,
    started, ambient_pressure [kPa], ambient_temperature [degC], relative_humidity [%], notes, or a
    column of your own. `relative_to` and `changed` are said of the pull's setup.

    \b
    Examples:
      dynostats amend P12 setup=outlet-70 --why "sheet said outlet-54, photo shows outlet-70"
      dynostats amend P12 "ambient_pressure [kPa]=98.4" --why "barometer was in the office"
    """
    field, equals, value = change.partition("=")
    if not equals or not field.strip():
        raise click.BadParameter(f"'{change}' is not FIELD=VALUE", param_hint="FIELD=VALUE")
    amended = current_warehouse().amend(pull, field.strip(), value.strip(), why=why, who=who)
    _print_amended(amended)
    if amended.correction.old is None:
        _doubt_field(amended.correction.field)


def _doubt_field(field: str) -> None:
    """Say so where a new field is spelled nearly like one that is understood."""
    from dynostats.warehouse.amending import LABEL_FIELDS, SETUP_FIELDS

    known = (*LABEL_FIELDS, *SETUP_FIELDS)
    hint = "" if field in known else did_you_mean(field, known)
    if hint:
        tell(f"Note: '{field}' is now a column of your own. {hint}")


def _print_amended(amended: Amended) -> None:
    if current().as_json:
        print_json(amended.to_dict())
        return
    was = amended.correction
    answer_console().print(
        f"{amended.pull}: {was.field} is now {was.new or 'empty'} (was {was.old or 'empty'}), "
        f"by {was.who}: {was.why}"
    )
