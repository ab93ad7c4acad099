"""The `dynostats` command: global options, the commands, and what an error looks like."""

from __future__ import annotations

import importlib
import io
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

import click

from dynostats.cli.output import print_json, report_error, tell
from dynostats.cli.settings import Settings, debug_option, units_option, warehouse_option
from dynostats.errors import DynostatsError

EXIT_REFUSED = 1
EXIT_USAGE = 2
EXIT_INTERRUPTED = 130  # 128 + SIGINT, as shells report it
# Where each command stands and what it does, in the order a newcomer meets them. A command is
# imported when it is used: `--help` lists all of them and needs none.
COMMANDS = {
    "demo": ("demo", "Show the whole job on a simulated shop."),
    "ingest": ("stored", "Take log files or folders into the warehouse."),
    "pulls": ("stored", "List what is stored, and in what state."),
    "check": ("acceptance", "Judge stored pulls: fit to compare, and labelled right?"),
    "compare": ("study", "Did it help, where, by how much, how sure."),
    "attribute": (
        "attribution",
        "Why it changed: boost, charge temperature, mixture, and what is left.",
    ),
    "repeatability": ("study", "Measure the noise of the cell, by engine speed."),
    "plan": ("planning", "How many pulls, in what order, to see an effect."),
    "watch": (
        "watching",
        "At the cell, between pulls: accepted or not, effect so far, what to do next.",
    ),
    "envelope": ("envelope", "Is this log within the range of the accepted pulls?"),
    "studies": ("studies", "Which studies are there, and what came out?"),
    "history": ("history", "What do all past studies say together?"),
    "similar": ("similar", "Which pulls are most like this one?"),
    "monitor": ("monitor", "Is the cell still the cell it was?"),
    "event": ("monitor", "Log what is done to the cell: calibration, service, repair."),
    "exclude": ("stored", "Leave a pull out of the analyses."),
    "include": ("stored", "Take an excluded pull back into the analyses."),
    "amend": ("stored", "Correct what the paperwork said of a pull."),
    "query": ("asking", "Ask a named question, or your own SQL."),
    "regress": ("regression", "Regress by a formula of your own on the accepted pulls."),
    "reingest": ("stored", "Read stored files again with more channel names."),
    "reproduce": ("keeping", "Make a report again and say whether every number is the same."),
    "verify": ("keeping", "Check that the warehouse is whole."),
    "backup": ("keeping", "Copy the warehouse to a new file, consistently."),
    "export": ("keeping", "Write everything as open files."),
    "restore": ("keeping", "Make a new warehouse of an export."),
}
# Matrices of a hundred rows gain nothing from threads, and on a busy computer threads that wait for
# each other cost many times the work. Read when numpy is first imported; a user's own word stands.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def _print_version(context: click.Context, _: click.Parameter, value: bool) -> None:
    if not value:
        return
    from dynostats import __version__

    click.echo(f"dynostats {__version__}")
    context.exit()


class Commands(click.Group):
    """Lists its commands as a newcomer meets them, and imports the one that is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Return the names in the order of use."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Return a command; None if there is none of the name."""
        if cmd_name not in COMMANDS:
            return None
        from dynostats.cli.completing import complete_names

        module = importlib.import_module(f"dynostats.cli.{COMMANDS[cmd_name][0]}")
        command: click.Command = getattr(module, cmd_name)
        complete_names(command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command that is asked for; a wrong name meets its nearest."""
        try:
            return super().resolve_command(ctx, args)
        except click.NoSuchCommand as error:
            raise click.NoSuchCommand(error.command_name, possibilities=COMMANDS, ctx=ctx) from None

    def format_commands(
        self,
        ctx: click.Context,  # noqa: ARG002
        formatter: click.HelpFormatter,
    ) -> None:
        """Write what each command does, without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, does) for name, (_, does) in COMMANDS.items()])


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@warehouse_option(hidden=False)
@units_option(hidden=False)
@debug_option(hidden=False)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_version,
    help="Show the version and exit.",
)
def dynostats() -> None:
    """Did the change help? Defensible answers from a handful of dynamometer pulls.

    Files go into a warehouse; setups are compared against the noise of the cell.

    \b
    See it work on a simulated engine:
      dynostats demo

    \b
    Your own pulls (a folder of CSV files and a sheet with one row a pull):
      dynostats ingest pulls/ --sheet sheet.csv
      dynostats compare --baseline stock --candidate new_manifold --report finding.html

    `dynostats COMMAND --help` shows the options and examples of one command.
    """


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and exit: 0 done, 1 refused, 2 wrong usage."""
    settings = Settings()
    _never_fail_to_print()
    try:
        status = _run(arguments, settings)
        sys.stdout.flush()
    except BrokenPipeError:
        status = EXIT_REFUSED
        _discard_output()
    sys.exit(status)


def _run(arguments: Sequence[str] | None, settings: Settings) -> int:
    try:
        result = dynostats.main(
            args=None if arguments is None else list(arguments),
            prog_name="dynostats",
            standalone_mode=False,
            obj=settings,
        )
    except BrokenPipeError:
        raise
    except click.UsageError as error:
        return _wrong_usage(error, settings)
    except (click.Abort, KeyboardInterrupt):
        tell("Stopped.")
        return EXIT_INTERRUPTED
    except Exception as error:  # noqa: BLE001 - the last resort: a message, never a traceback
        return _refused(error, settings)
    return result if isinstance(result, int) else 0


def _never_fail_to_print() -> None:
    """Let a terminal that knows few letters show question marks instead of an error."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def _wrong_usage(error: click.UsageError, settings: Settings) -> int:
    error.show()
    if settings.as_json:
        usage = DynostatsError(error.format_message(), mend="See --help.")
        print_json({"error": usage.to_dict()})
    return EXIT_USAGE


def _refused(error: Exception, settings: Settings) -> int:
    if settings.debug:
        import traceback

        traceback.print_exception(error)
    report_error(_as_dynostats_error(error), as_json=settings.as_json)
    return EXIT_REFUSED


def _as_dynostats_error(error: Exception) -> DynostatsError:
    """Return the error in the three parts a user is shown."""
    match error:
        case DynostatsError():
            return error
        case OSError():
            return DynostatsError(
                error.strerror or str(error),
                where=str(error.filename or ""),
                mend="Check the path, its permissions and the free space.",
            )
        case _:
            return DynostatsError(
                f"an unexpected {type(error).__name__}: {error}",
                mend="This is a fault of dynostats. Run again with --debug and send what it shows.",
            )


def _discard_output() -> None:
    """Point standard output at nothing: the reader has gone, and Python would complain at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
