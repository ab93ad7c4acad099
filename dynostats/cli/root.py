"""The `dynostats` command: global options, the commands, and what an error looks like."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

import click

from dynostats.cli.acceptance import check
from dynostats.cli.asking import query
from dynostats.cli.attribution import attribute
from dynostats.cli.completing import complete_names
from dynostats.cli.demo import demo
from dynostats.cli.envelope import envelope
from dynostats.cli.history import history
from dynostats.cli.keeping import backup, export, reproduce, restore, verify
from dynostats.cli.monitor import event, monitor
from dynostats.cli.output import print_json, report_error, tell
from dynostats.cli.planning import plan
from dynostats.cli.regression import regress
from dynostats.cli.settings import Settings, debug_option, units_option, warehouse_option
from dynostats.cli.similar import similar
from dynostats.cli.stored import amend, exclude, include, ingest, pulls, reingest
from dynostats.cli.studies import studies
from dynostats.cli.study import compare, repeatability
from dynostats.cli.watching import watch
from dynostats.errors import DynostatsError

EXIT_REFUSED = 1
EXIT_USAGE = 2
EXIT_INTERRUPTED = 130  # 128 + SIGINT, as shells report it
# Matrices of a hundred rows gain nothing from threads, and on a busy computer threads that wait for
# each other cost many times the work. Read when numpy is first imported; a user's own word stands.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def _print_version(context: click.Context, _: click.Parameter, value: bool) -> None:
    if not value:
        return
    from dynostats import __version__

    click.echo(f"dynostats {__version__}")
    context.exit()


class InOrderOfUse(click.Group):
    """Lists its commands as a newcomer meets them, not by the alphabet."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Return the names in the order they were added."""
        return list(self.commands)


@click.group(cls=InOrderOfUse, context_settings={"help_option_names": ["-h", "--help"]})
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


for command in (
    demo,
    ingest,
    pulls,
    check,
    compare,
    attribute,
    repeatability,
    plan,
    watch,
    envelope,
    studies,
    history,
    similar,
    monitor,
    event,
    exclude,
    include,
    amend,
    query,
    regress,
    reingest,
    reproduce,
    verify,
    backup,
    export,
    restore,
):
    dynostats.add_command(command)
complete_names(dynostats)


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
