"""A formula and a frame made into columns: `log_torque ~ log_manifold_pressure + C(setup)`."""

from __future__ import annotations

import ast
import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from formulaic import Formula
from formulaic.errors import FormulaicError
from formulaic.materializers import PandasMaterializer

from dynostats.arrays import Flags, Floats
from dynostats.errors import AnalysisError, InputError
from dynostats.words import did_you_mean

INTERCEPT = "Intercept"
_POWER = re.compile(r"(?P<name>[A-Za-z_]\w*)\s*\*\*\s*\d+")
_BRACKETED = re.compile(r"\([^()]*\)|\{[^{}]*\}")
_COLOURS = re.compile(r"\x1b\[[0-9;]*m|[⧚⧛]")  # with which the parser marks a place
EXAMPLE = "Write response ~ term + term, for example log_torque ~ log_manifold_pressure + setup."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Design:
    """What a formula makes of a frame.

    Args:
        response: Shape (rows,).
        columns: Shape (rows, columns), without the intercept's.
        names: What each column is.
        intercept: Whether the formula has an intercept.
        variables: Columns of the frame that the formula uses.
        frame: The rows that have everything: those variables and what else was asked for.
        left_out: Number of rows that have not.
    """

    response: Floats
    columns: Floats
    names: tuple[str, ...]
    intercept: bool
    variables: tuple[str, ...]
    frame: pl.DataFrame
    left_out: int


def make_design(formula: str, frame: pl.DataFrame, *, also: Collection[str] = ()) -> Design:
    """Make the columns of a regression.

    Args:
        formula: Response ~ terms, as formulaic reads them: `y ~ x + C(setup) + bs(rpm, df=4)`;
            a power is written I(x**2), a name that Python keeps for itself in backticks.
        frame: One row an observation.
        also: Columns beside the formula's that a row must have: clusters and levels.

    Raises:
        InputError: The formula cannot be read, names a column that is not there, or has no rows.
        AnalysisError: A term, or what is explained, is the same in every row.
    """
    used = variables(formula, frame.columns)
    require_columns(also, frame.columns)
    wanted = sorted({*used, *also})
    whole = frame.select(wanted).filter(_known(wanted, frame.schema))
    _require_rows(whole, frame, formula, wanted)
    made = _materialize(formula, whole)
    response, columns = (np.asarray(side, dtype=np.float64) for side in (made.lhs, made.rhs))
    if response.ndim != 2 or response.shape[1] != 1:
        raise InputError(
            "the left side of the formula is not one number a row",
            where=formula,
            mend="Put one numeric column there, for example log_torque.",
        )
    finite: Flags = np.isfinite(response[:, 0]) & np.isfinite(columns).all(axis=1)
    kept = whole.filter(pl.Series(finite))
    _require_rows(kept, frame, formula, wanted)
    names = tuple(str(name) for name in made.rhs.model_spec.column_names)
    slopes = [at for at, name in enumerate(names) if name != INTERCEPT]
    design = Design(
        response=response[finite, 0],
        columns=columns[finite][:, slopes],
        names=tuple(names[at] for at in slopes),
        intercept=INTERCEPT in names,
        variables=used,
        frame=kept,
        left_out=frame.height - kept.height,
    )
    _require_varied(design, made.rhs.model_spec.term_indices)
    return design


def variables(formula: str, columns: Collection[str]) -> tuple[str, ...]:
    """Return the columns that a formula uses, sorted.

    Raises:
        InputError: The formula cannot be read, or names a column that is not there.
    """
    parsed = _parse(formula)
    named = {str(name) for name in parsed.required_variables}
    for term in (*parsed.lhs, *parsed.rhs):
        named.update(*(_names_in(str(factor.expr)) for factor in term.factors))
    require_columns(sorted(named), columns)
    return tuple(sorted(named))


def _names_in(expression: str) -> set[str]:
    """Return the names an expression looks up, but for those of functions."""
    try:
        tree = ast.parse(expression, mode="eval")
    except SyntaxError:  # a name in backticks, which the formula's own parser knows
        return set()
    called = {
        name
        for call in ast.walk(tree)
        if isinstance(call, ast.Call)
        for name in ast.walk(call.func)
    }
    names = (node for node in ast.walk(tree) if isinstance(node, ast.Name))
    return {node.id for node in names if node not in called}


def require_columns(wanted: Iterable[str], columns: Collection[str]) -> None:
    """Do nothing if columns are there.

    Raises:
        InputError: One is not; names the nearest that is.
    """
    for name in wanted:
        if name not in columns:
            raise _unknown(name, columns)


def plain_terms(formula: str) -> tuple[str, tuple[str, ...]] | None:
    """Return response and terms where all are plain columns, an intercept among them; else None.

    Raises:
        InputError: The formula cannot be read.
    """
    parsed = _parse(formula)
    left, terms = ([str(term) for term in side] for side in (parsed.lhs, parsed.rhs))
    named = tuple(term for term in terms if term != "1")
    plain = all(re.fullmatch(r"[A-Za-z_]\w*", name) for name in (*left, *named))
    if len(left) != 1 or not named or len(named) == len(terms) or not plain:
        return None
    return left[0], named


def _parse(formula: str) -> Any:  # noqa: ANN401 - formulaic's own type is abstract to checkers
    power = _POWER.search(_outside_calls(formula))
    if power:
        raise InputError(
            f"in a formula {power[0]} is {power['name']} itself",
            where=formula,
            mend=f"Write I({power[0]}) for the power.",
        )
    try:
        parsed = Formula.from_spec(formula)
    except (FormulaicError, SyntaxError) as error:
        raise _unreadable(formula, error) from error
    sides = [getattr(parsed, side, None) for side in ("lhs", "rhs")]
    if any(side is None or isinstance(side, tuple) for side in sides):
        raise InputError(
            "the formula has not one left and one right side", where=formula, mend=EXAMPLE
        )
    return parsed


def _outside_calls(formula: str) -> str:
    """Return a formula without what stands in brackets."""
    inner = formula
    while (outer := _BRACKETED.sub("", inner)) != inner:
        inner = outer
    return inner


def _materialize(formula: str, frame: pl.DataFrame) -> Any:  # noqa: ANN401 - likewise
    parsed = _parse(formula)
    # A frame of strings would need pyarrow on the way through formulaic; plain arrays do not.
    data: Mapping[str, Any] = {name: _array(frame[name]) for name in frame.columns}
    try:
        with np.errstate(all="ignore"):  # what is not finite is left out and counted
            materializer = PandasMaterializer(data, context={})
            return materializer.get_model_matrix(parsed, output="numpy", na_action="ignore")
    except Exception as error:  # a formula is the user's own code: whatever it raises is its fault
        raise _unreadable(formula, error) from error


def _array(values: pl.Series) -> Any:  # noqa: ANN401 - of numbers or of objects
    if values.dtype.is_numeric() or values.dtype == pl.Boolean:
        return values.to_numpy()
    return np.array(values.cast(pl.String).to_list(), dtype=object)


def _known(wanted: Collection[str], schema: Mapping[str, Any]) -> pl.Expr:
    numbers = [name for name in wanted if schema[name].is_float()]
    return pl.all_horizontal(
        pl.col(list(wanted)).is_not_null(), *(pl.col(name).is_finite() for name in numbers)
    )


def _require_rows(
    kept: pl.DataFrame, frame: pl.DataFrame, formula: str, wanted: Collection[str]
) -> None:
    if not kept.is_empty():
        return
    empty = [name for name in wanted if frame.filter(_known([name], frame.schema)).is_empty()]
    raise InputError(
        f"{', '.join(empty)} is empty in all rows"
        if empty and frame.height
        else "no row has everything that the formula needs",
        where=formula,
        mend=f"A row must have a finite value of {', '.join(wanted)}, and of every term.",
    )


def _require_varied(design: Design, places: Mapping[Any, Collection[int]]) -> None:
    """Refuse terms that no row tells from another: they have no column, or one that is constant."""
    empty = [str(term) for term, at in places.items() if not at]
    still = [
        name
        for name, column in zip(design.names, design.columns.T, strict=True)
        if np.ptp(column) <= 1e-12 * np.abs(column).max()
    ]
    if np.ptp(design.response) == 0.0:
        raise AnalysisError(
            f"what is explained is the same in all {len(design.response)} rows",
            where="formula",
            mend="Explain something that varies.",
        )
    if empty or still:
        named = ", ".join((*empty, *still))
        raise AnalysisError(
            f"{named} does not vary: it is the same in all {len(design.response)} rows",
            where="formula",
            mend="Leave it out, or use rows in which it differs.",
        )


def _unknown(name: str, columns: Collection[str]) -> InputError:
    return InputError(
        f"there is no channel, column or function {name}",
        where="formula",
        mend=f"{did_you_mean(name, columns)}There are: {', '.join(columns)}.",
    )


def _plain(error: Exception) -> str:
    return " ".join(_COLOURS.sub("", str(error)).split())


def _unreadable(formula: str, error: Exception) -> InputError:
    return InputError(
        f"the formula cannot be read: {_plain(error)}".rstrip("."), where=formula, mend=EXAMPLE
    )
