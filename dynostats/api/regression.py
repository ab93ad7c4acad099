"""The open regression on the warehouse's rows."""

from __future__ import annotations

from collections.abc import Mapping

from dynostats.analysis.regression.clustered import Asked
from dynostats.analysis.regression.formula import plain_terms, require_columns, variables
from dynostats.analysis.regression.of_sums import Summed, regress_sums
from dynostats.analysis.regression.regress import regress, require_options
from dynostats.analysis.regression.result import Errors, Regression
from dynostats.analysis.regression.structure import PULL, SESSION, SETUP, structure_of
from dynostats.warehouse import Store
from dynostats.warehouse.named import Value


def regress_stored(
    store: Store,
    formula: str,
    *,
    errors: Errors,
    by: str | None,
    alpha: float,
    scope: Mapping[str, Value],
) -> Regression:
    """Regress on stored pulls: from sums where the database can take them, else from the rows.

    Args:
        store: The open warehouse.
        formula: Response ~ terms.
        errors: As in `dynostats.analysis.regression.regress`.
        by: Likewise.
        alpha: Likewise.
        scope: Values of the parameters of queries/regression_rows.sql.

    Raises:
        InputError: As there.
        AnalysisError: As there.
    """
    require_options(errors, alpha)
    columns = store.regression_columns()
    used = variables(formula, columns)
    require_columns([] if by is None else [by], columns)
    if errors == "cr2":
        found = _from_sums(store, formula, columns, by=by, alpha=alpha, scope=scope)
        if found is not None:
            return found
    wanted = {*used, PULL, SESSION, SETUP, *([] if by is None else [by])}
    frame = store.regression_rows([name for name in columns if name in wanted], scope)
    return regress(formula, frame, errors=errors, by=by, alpha=alpha)


def _from_sums(
    store: Store,
    formula: str,
    columns: Mapping[str, bool],
    *,
    by: str | None,
    alpha: float,
    scope: Mapping[str, Value],
) -> Regression | None:
    """Return the regression where its terms are plain numbers; None where it needs the rows."""
    plain = plain_terms(formula)
    if plain is None or not all(columns[name] for name in (plain[0], *plain[1])):
        return None
    response, terms = plain
    shared = structure_of(columns, by)
    summed = store.regression_sums(
        terms, response, cluster=shared.by, level=shared.within or None, scope=scope
    )
    if summed.frame.is_empty():
        return None
    return regress_sums(
        Summed(frame=summed.frame, centres=summed.centres, terms=terms),
        Asked(
            formula=formula,
            structure=shared,
            columns=tuple(columns),
            alpha=alpha,
            left_out=summed.left_out,
        ),
    )
