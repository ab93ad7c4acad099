"""All past studies in sentences: the answer, what the reader must know, what would sharpen it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import polars as pl

from dynostats.analysis.synthesis.random_effects import LEAST_STUDIES
from dynostats.analysis.synthesis.result import Claim, KindFinding

# With fewer engines than this the spread between them is hardly known, and intervals are wide.
FEW_ENGINES = 5


def say_answer(
    table: pl.DataFrame, kinds: Sequence[KindFinding], claims: Sequence[Claim], *, alpha: float
) -> str:
    """Return what the studies say, in a few sentences."""
    judged = table.drop_nulls("p_value")
    if judged.is_empty():
        return "No past study has an interval yet, so nothing can be said across them."
    found = judged.filter("found")
    gains = found.filter(pl.col("effect_pct") > 0.0).height
    seen = [one for one in claims if one.source == "by_eye"]
    claims = [one for one in claims if one.source != "by_eye"]
    fallen = sum(not one.stands for one in claims)
    together = sum(one.effect_pct is not None for one in kinds)
    standing = (
        f"{_count(judged.height, 'past study', 'past studies')} on "
        f"{_count(judged['engine'].n_unique(), 'engine', 'engines')}: "
        f"{_count(gains, 'gain', 'gains')} and {_count(found.height - gains, 'loss', 'losses')} "
        f"stand out among all of them (at most {alpha:.0%} of such findings are false on average)."
    )
    parts = [standing]
    if claims:
        parts.append(
            f"{fallen} of {_count(len(claims), 'claim', 'claims')} of single studies "
            f"do{'es' if len(claims) == 1 else ''} not stand today."
            if fallen
            else "Every gain or loss that a study claims by itself stands."
        )
    if seen:
        gone = sum(not one.stands for one in seen)
        today = f"{gone} of these would not stand" if gone else "all of these stand"
        parts.append(
            f"By eye, {_count(len(seen), 'study', 'studies')} would have claimed a gain or a loss "
            f"when made; {today} today."
        )
    doubtful = table.filter(pl.col("doubts").list.len() > 0).height
    if doubtful:
        parts.append(
            f"{_count(doubtful, 'study rests', 'studies rest')} on pulls that are doubtful or lie "
            "on both sides of a change of the cell."
        )
    parts.append(
        f"{_count(together, 'kind of change was', 'kinds of change were')} tried on "
        f"{LEAST_STUDIES} engines or more and can be put together."
        if together
        else f"No kind of change was tried on {LEAST_STUDIES} engines yet, so nothing can be said "
        "of the next engine."
    )
    return " ".join(parts)


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def say_warnings(
    table: pl.DataFrame, kinds: Sequence[KindFinding], *, left_out: int
) -> tuple[str, ...]:
    """Return what the reader must know."""
    return (*_warn_missing(table, left_out), *_warn_doubts(table), *_warn_kinds(table, kinds))


def _warn_doubts(table: pl.DataFrame) -> Iterator[str]:
    for row in table.iter_rows(named=True):
        for doubt in row["doubts"]:
            yield f"{row['candidate']} against {row['baseline']} on {row['engine']}: {doubt}"


def _warn_missing(table: pl.DataFrame, left_out: int) -> Iterator[str]:
    without = table.filter(pl.col("p_value").is_null()).height
    if without:
        yield (
            f"{_count(without, 'study has', 'studies have')} no interval (too little is known of "
            "the noise) and count nowhere; the table says why."
        )
    if left_out:
        yield f"{_count(left_out, 'study', 'studies')} could not be judged and are listed apart."
    drawn = table.filter(pl.col("p_value").is_not_null() & pl.col("shrunken_pct").is_null()).height
    if drawn:
        yield (
            f"{_count(drawn, 'study has', 'studies have')} too few fellows to be drawn toward: the "
            "largest of their estimates are too large on average."
        )


def _warn_kinds(table: pl.DataFrame, kinds: Sequence[KindFinding]) -> Iterator[str]:
    unnamed = table.filter(pl.col("kind").is_null()).height
    if unnamed:
        yield (
            f"Of {_count(unnamed, 'study', 'studies')} nobody said what kind of change it was, so "
            "no kind holds them."
        )
    few = [k.kind for k in kinds if k.effect_pct is not None and k.engines < FEW_ENGINES]
    if few:
        yield (
            f"Fewer than {FEW_ENGINES} engines stand behind {', '.join(few)}: how far engines "
            "differ is hardly known, and the bounds for the next engine are wide."
        )
    yield (
        "What was tried and given up before a comparison was stored is not here. If only what "
        "looked good was ever pulled twice, averages are too good."
    )


def say_next(table: pl.DataFrame, kinds: Sequence[KindFinding]) -> str:
    """Return what would sharpen it."""
    if table.filter(pl.col("kind").is_null()).height:
        return (
            "Say what kind each change was: the column `changed` of the sheet, the kind before a "
            'colon ("cooler: deeper core"), or `dynostats amend PULL changed="cooler: deeper '
            'core" --why …`.'
        )
    short = [k for k in kinds if k.engines < LEAST_STUDIES]
    if short:
        best = max(short, key=lambda one: (one.engines, one.studies))
        missing = LEAST_STUDIES - best.engines
        return (
            f"Try '{best.kind}' on {_count(missing, 'more engine', 'more engines')}: then it can "
            "be said what it does on an engine that has not had it."
        )
    return (
        "Every further engine of a kind narrows what can be said of the next one; alternate "
        "baseline and candidate in one session."
    )


def describe(alpha: float) -> dict[str, object]:
    """Return how it was worked out."""
    return {
        "effect": "mean over the band of log torque, candidate less baseline, with the standard "
        "error and the simulated errors of `compare`; each study by itself at "
        f"{1.0 - alpha:.0%} for that mean alone (the interval of `compare` holds together with the "
        "whole curve and is wider)",
        "found": f"Benjamini-Hochberg over the two-sided p values of all studies, rate {alpha:g}",
        "kinds": "random effects over engines (several studies of an engine averaged, the pulls "
        "they share allowed for); variance between engines by REML; t interval with the scale "
        "max(1, q) of Hartung and Knapp, engines less one degrees of freedom; bounds for the next "
        "engine: the same normal model averaged over the SD between engines, flat prior, so that "
        "an SD estimated too small does not narrow them",
        "shrunken": "posterior of each true effect under a normal spread of its kind (three "
        "studies or more; the rest together), flat prior on mean and SD, averaged over the SD; "
        "where a few changes do much and most do nothing, the few are drawn in too far",
        "replay": "each study once more with the pulls started up to the end of the first session "
        "in which both setups had been pulled, labelled as they were a day after its last pull was "
        "stored, changes of the cell as they are known today; by eye: the difference of mean "
        "torque of those pulls, a claim from the margin on",
        "moderators": "meta-regression by the same model, ten engines or more, Benjamini-Hochberg "
        "over all that were looked at",
        "least_engines": LEAST_STUDIES,
        "alpha": alpha,
        "references": [
            "Benjamini & Hochberg (1995), J. Royal Statistical Society B 57:289",
            "Viechtbauer (2005), J. Educational and Behavioral Statistics 30:261",
            "Hartung & Knapp (2001), Statistics in Medicine 20:3875",
            "Higgins, Thompson & Spiegelhalter (2009), J. Royal Statistical Society A 172:137",
            "Efron & Morris (1975), J. American Statistical Association 70:311",
            "Rubin (1981), J. Educational Statistics 6:377",
        ],
    }
