"""Options that several commands share, said the same way everywhere."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


class Band(click.ParamType[tuple[float, float]]):
    """LOW:HIGH in rpm."""

    name = "band"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        """Return both ends as numbers."""
        parts = str(value).split(":")
        try:
            low, high = (float(part) for part in parts)
        except ValueError:
            self.fail(f"'{value}' is not LOW:HIGH in rpm, for example 2500:6500", param, ctx)
        return low, high


def band(words: str) -> Decorator:
    """Return --band, passed on as `band`."""
    return click.option("--band", type=Band(), metavar="LOW:HIGH", help=words)


def quantity(words: str) -> Decorator:
    """Return --quantity, passed on as `quantity`."""
    return click.option(
        "--quantity",
        type=click.Choice(["power", "torque"]),
        default="power",
        show_default=True,
        help=words,
    )


def margin(name: str) -> Decorator:
    """Return --margin, passed on under `name`."""
    return click.option(
        "--margin",
        name,
        type=float,
        default=0.5,
        show_default=True,
        metavar="PCT",
        help="Smallest change that would matter to you, percent.",
    )


def alpha(words: str) -> Decorator:
    """Return --alpha, passed on as `alpha`."""
    return click.option(
        "--alpha", type=float, default=0.05, show_default=True, metavar="A", help=words
    )


def report(words: str) -> Decorator:
    """Return --report, passed on as `report`."""
    return click.option(
        "--report", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE", help=words
    )


def channels() -> Decorator:
    """Return --channels with a file of names, passed on as `channels`."""
    return click.option(
        "--channels",
        type=click.Path(dir_okay=False, path_type=Path),
        metavar="FILE",
        help="A TOML file that names channels of your logger which dynostats does not know.",
    )


def correction() -> Decorator:
    """Return --correction for what looks at studies that sheets describe."""
    return click.option(
        "--correction",
        metavar="NAME",
        help="Ambient correction, as in `compare` [default: what the sheets say, else none].",
    )
