"""A formula and a frame made into columns: `log_torque ~ log_pressure + C(setup)`."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from formulaic import Formula, model_matrix
from formulaic.errors import FormulaicError

from dynostats.arrays import Floats, Ints
from dynostats.errors import InputError

_ANSI = re.compile(r"\x1b\[[0-9;]*m|[\u29da\u29db]")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Design:
    """What a formula makes of a frame.

    Args:
        response: Shape (rows,).
        columns: Shape (rows, columns).
        names: What each column is.
        kept: Rows of the frame that have everything the formula needs.
        frame: Those rows.
    """

    response: Floats
    columns: Floats
    names: tuple[str, ...]
    kept: Ints
    frame: pl.DataFrame


def make_design(formula: str, frame: pl.DataFrame, *, also: tuple[str, ...] = ()) -> Design:
    """Make the columns of a regression.

    Args:
        formula: Response ~ terms, as formulaic reads them: `y ~ x + C(setup) + bs(rpm, df=4)`.
        frame: One row an observation.
        also: Columns beside the formula's that a row must have: the clusters.

    Returns:
        The design. Rows with anything missing are left out; columns that the others make already
        (a setup that was only ever in one session, both as terms) stay, and the fit refuses them.

    Raises:
        InputError: The formula cannot be read, names a column that is not there, or has no rows.
    """
    wanted = sorted(_variables(formula) | set(also))
    _require_columns(wanted, frame)
    numbered = frame.with_row_index("formula_row")
    numeric = [name for name in wanted if frame.schema[name].is_float()]
    finite = pl.all_horizontal(
        pl.col(wanted).is_not_null(), *(pl.col(name).is_finite() for name in numeric)
    )
    whole = numbered.filter(finite)
    if whole.is_empty():
        raise InputError(
            "no row has everything that the formula needs",
            where=formula,
            mend=f"Rows must have {', '.join(wanted)}; see which are empty.",
        )
    try:
        made = model_matrix(formula, whole.drop("formula_row"), output="numpy", context={})
    except FormulaicError as error:
        raise _unreadable(formula, error) from error
    response = np.asarray(made.lhs, dtype=np.float64)
    if response.ndim != 2 or response.shape[1] != 1:
        raise InputError(
            "the left side of the formula is not one number a row",
            where=formula,
            mend="Put one numeric column there, for example log_torque.",
        )
    return Design(
        response=response[:, 0],
        columns=np.asarray(made.rhs, dtype=np.float64),
        names=tuple(str(name) for name in made.rhs.model_spec.column_names),
        kept=whole["formula_row"].to_numpy().astype(np.intp),
        frame=whole.drop("formula_row"),
    )


def plain_terms(formula: str) -> tuple[str, tuple[str, ...]] | None:
    """Return response and terms where all are plain columns, an intercept among them; else None."""
    left, terms = ([str(term) for term in side] for side in _sides(formula))
    plain = re.compile(r"[A-Za-z_]\w*")
    if "1" not in terms or len(left) != 1:
        return None
    named = tuple(term for term in terms if term != "1")
    if not all(plain.fullmatch(name) for name in (*left, *named)):
        return None
    return left[0], named


def _parse(formula: str) -> Any:  # noqa: ANN401 - formulaic's own type is abstract to checkers
    try:
        parsed = Formula.from_spec(formula)
    except FormulaicError as error:
        raise _unreadable(formula, error) from error
    if not (hasattr(parsed, "lhs") and hasattr(parsed, "rhs")):
        raise InputError(
            "the formula has no left side",
            where=formula,
            mend="Write what is explained, a tilde, and what explains it: y ~ x.",
        )
    return parsed


def _sides(formula: str) -> tuple[Iterable[object], Iterable[object]]:
    parsed = _parse(formula)
    return parsed.lhs, parsed.rhs


def _variables(formula: str) -> set[str]:
    return {str(name) for name in _parse(formula).required_variables}


def _require_columns(wanted: list[str], frame: pl.DataFrame) -> None:
    for name in wanted:
        if name not in frame.columns:
            near = difflib.get_close_matches(name, frame.columns, n=1)
            hint = f"Did you mean {near[0]}? " if near else ""
            raise InputError(
                f"there is no column {name}",
                where="formula",
                mend=f"{hint}Columns: {', '.join(frame.columns)}.",
            )


def _unreadable(formula: str, error: FormulaicError) -> InputError:
    told = " ".join(_ANSI.sub("", str(error)).split())
    return InputError(
        f"the formula cannot be read: {told}",
        where=formula,
        mend="Write response ~ term + term, for example log_torque ~ log_manifold_pressure.",
    )
