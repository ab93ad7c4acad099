"""What every command shares: the warehouse, the output form, and the options that set them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

if TYPE_CHECKING:
    from dynostats.api import Warehouse
    from dynostats.units import System

DEFAULT_WAREHOUSE = Path("dynostats.duckdb")

Decorated = TypeVar("Decorated", bound=Callable[..., object])


@dataclass(slots=True, kw_only=True)
class Settings:
    """Set once from the command line, read by the commands.

    Args:
        warehouse: The warehouse file.
        as_json: Print exactly one JSON document on standard output.
        debug: Show tracebacks.
        units: Units of the numbers a person reads; JSON is always in stored units.
    """

    warehouse: Path = DEFAULT_WAREHOUSE
    as_json: bool = False
    debug: bool = False
    units: System = "si"


def current() -> Settings:
    """Return the settings of the running command; the defaults where none runs."""
    context = click.get_current_context(silent=True)
    return Settings() if context is None else context.ensure_object(Settings)


def current_warehouse() -> Warehouse:
    """Return the warehouse the running command is about."""
    from dynostats.api import open_warehouse

    return open_warehouse(current().warehouse)


def _set_warehouse(context: click.Context, _: click.Parameter, value: Path | None) -> None:
    if value is not None:
        context.ensure_object(Settings).warehouse = value


def _set_units(context: click.Context, _: click.Parameter, value: System | None) -> None:
    if value is not None:
        context.ensure_object(Settings).units = value


def _set_json(context: click.Context, _: click.Parameter, value: bool) -> None:
    context.ensure_object(Settings).as_json |= value


def _set_debug(context: click.Context, _: click.Parameter, value: bool) -> None:
    context.ensure_object(Settings).debug |= value


def warehouse_option(*, hidden: bool) -> Callable[[Decorated], Decorated]:
    """Return the option that names the warehouse; the commands take it too, without showing it."""
    return click.option(
        "--warehouse",
        type=click.Path(dir_okay=False, path_type=Path),
        envvar=None if hidden else "DYNOSTATS_WAREHOUSE",
        callback=_set_warehouse,
        expose_value=False,
        hidden=hidden,
        metavar="FILE",
        help="The warehouse file [default: $DYNOSTATS_WAREHOUSE, else dynostats.duckdb here].",
    )


def units_option(*, hidden: bool) -> Callable[[Decorated], Decorated]:
    """Return the option that sets the units a person reads; the commands take it too."""
    return click.option(
        "--units",
        type=click.Choice(["si", "us"], case_sensitive=False),
        envvar=None if hidden else "DYNOSTATS_UNITS",
        callback=_set_units,
        expose_value=False,
        hidden=hidden,
        help="Units of answers and reports: si (kW, N·m, kPa, °C) or us (hp, lb·ft, psi, °F) "
        "[default: $DYNOSTATS_UNITS, else si].",
    )


def debug_option(*, hidden: bool) -> Callable[[Decorated], Decorated]:
    """Return the option that shows tracebacks."""
    return click.option(
        "--debug",
        is_flag=True,
        callback=_set_debug,
        expose_value=False,
        hidden=hidden,
        help="Show the full traceback of an error.",
    )


def answers(command: Decorated) -> Decorated:
    """Give a command `--json`, and accept the global options after its name as well."""
    as_json = click.option(
        "--json",
        is_flag=True,
        is_eager=True,
        callback=_set_json,
        expose_value=False,
        help="Print one JSON document on standard output, everything else on standard error.",
    )
    named = warehouse_option(hidden=True)(units_option(hidden=True)(as_json(command)))
    return debug_option(hidden=True)(named)
