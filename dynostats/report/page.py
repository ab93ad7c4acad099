"""The report put together: one view, printed as an HTML page, as Markdown, or as a PDF."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Collection, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Final, Literal
from urllib.parse import quote

import jinja2
from markupsafe import Markup

from dynostats.analysis.attribution import Attribution
from dynostats.analysis.comparison import Comparison
from dynostats.charts.theme import DARK_PALETTE, PALETTE
from dynostats.errors import InputError
from dynostats.report.chart_files import file_name, write_charts
from dynostats.report.numbers import Kind, unit_choices
from dynostats.report.pictures import chart_specs, draw, json_for_html, runtime
from dynostats.report.printed import render_pdf
from dynostats.report.shop import Shop
from dynostats.report.view import Provenance, View, build_view
from dynostats.units import System

Form = Literal["html", "pdf", "md"]

_FORMS: Final[dict[str, Form]] = {
    "": "html",
    ".html": "html",
    ".htm": "html",
    ".pdf": "pdf",
    ".md": "md",
}


def _is_html(template: str | None) -> bool:
    """Say whether a template's values are escaped for HTML: all but the Markdown one."""
    return template is None or not template.endswith(".md.j2")


def _escape_markdown(text: object) -> str:
    """Return text with every character that Markdown or HTML could read as markup escaped."""
    flat = " ".join(str(text).split())
    return "".join("\\" + char if char in "\\`*_{}[]<>()#+!|~&" else char for char in flat)


_TEMPLATES = jinja2.Environment(
    loader=jinja2.PackageLoader("dynostats.report"),
    autoescape=_is_html,  # noqa: S701 - everything but the Markdown template
    undefined=jinja2.StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)

_TEMPLATES.filters["md"] = _escape_markdown


def render_report(
    result: Comparison,
    *,
    split: Attribution | None = None,
    refused: str = "",
    shop: Shop | None = None,
    provenance: Provenance | None = None,
    units: System = "si",
) -> str:
    """Return the report as one HTML page that loads nothing from anywhere.

    Args:
        result: The comparison.
        split: Why it changed; None leaves that section out.
        refused: Why there is no split, in a sentence, to be told in its place.
        shop: What the shop adds; None for a page without a shop.
        provenance: Where it comes from; None leaves that section out.
        units: Units that the page's switch stands at when it is opened.
    """
    view = build_view(result, split=split, refused=refused, shop=shop, provenance=provenance)
    return _html(view, result, split, provenance, units)


def _html(
    view: View,
    result: Comparison,
    split: Attribution | None,
    provenance: Provenance | None,
    system: System,
) -> str:
    pictures = draw(result, split)
    scripts = (runtime(), _source("report.js"))
    units = unit_choices()
    units_plain = {kind: [asdict(one) for one in choices] for kind, choices in units.items()}
    return _TEMPLATES.get_template("report.html.j2").render(
        view=view,
        # What is marked safe here is made by this package: the charts' markup (user text in it
        # is escaped by the renderer), JSON without angle brackets, our own style and scripts.
        svg={name: Markup(svg) for name, svg in pictures.svg.items()},  # noqa: S704
        charts_json=Markup(pictures.payload),  # noqa: S704
        result_json=Markup(json_for_html(result.to_dict())),  # noqa: S704
        provenance_json=Markup(json_for_html(None if provenance is None else asdict(provenance))),  # noqa: S704
        units=units,
        opened=1 if system == "us" else 0,
        kinds=_kinds(view),
        units_json=Markup(json_for_html(units_plain)),  # noqa: S704
        style=Markup(_style()),  # noqa: S704
        scripts=[Markup(script) for script in scripts],  # noqa: S704
        policy=_policy(scripts),
    )


def _kinds(view: View) -> set[Kind]:
    """Return the kinds of quantity that stand on the page and can be shown in another unit."""
    why = view.causes
    beside = () if why is None else (why.cooler, why.fuel)
    rows = [row for one in beside if one is not None for row in (*one.figures, *one.further)]
    kinds: set[Kind] = {"kw", "nm"}
    kinds.update(row.kind for row in rows if row.kind is not None)
    return kinds


def write_report(
    result: Comparison,
    path: Path,
    *,
    split: Attribution | None = None,
    refused: str = "",
    shop: Shop | None = None,
    provenance: Provenance | None = None,
    units: System = "si",
) -> Path:
    """Write the report in the form that the file's name asks for, and return its path.

    Markdown gets a folder of charts beside it, named after it.

    Args:
        result: The comparison.
        path: The file; it ends in .html, .pdf or .md, or in nothing for HTML.
        split: Why it changed; None leaves that section out.
        refused: Why there is no split, in a sentence, to be told in its place.
        shop: What the shop adds; None for a report without a shop.
        provenance: Where it comes from; None leaves that section out.
        units: Units that a page opens in; PDF and Markdown keep the stored ones.

    Raises:
        InputError: When the name ends otherwise, or a file cannot be written.
    """
    view = build_view(result, split=split, refused=refused, shop=shop, provenance=provenance)
    match form_of(path):
        case "html":
            return write_page(_html(view, result, split, provenance, units), path)
        case "pdf":
            attached = {"finding.json": result.to_dict()}
            return write_page(render_pdf(view, chart_specs(result, split), attached), path)
        case "md":
            folder = path.with_name(f"{path.stem}_charts")
            files = write_charts(
                chart_specs(result, split), view.captions, folder, suffixes=(".svg",)
            )
            files += _write_photographs(view, folder)
            return write_page(_markdown(view, {one.name for one in files}, folder.name), path)


def write_chart_files(
    result: Comparison, folder: Path, *, split: Attribution | None = None
) -> list[Path]:
    """Write every chart of the report as SVG and PNG, and return the files.

    Args:
        result: The comparison.
        folder: Where they go; made if missing.
        split: Why it changed; None leaves its charts out.

    Raises:
        InputError: When a file cannot be written.
    """
    view = build_view(result, split=split, refused="", shop=None, provenance=None)
    return write_charts(chart_specs(result, split), view.captions, folder)


def form_of(path: Path) -> Form:
    """Return the form that a report's name asks for.

    Raises:
        InputError: When it asks for none that there is.
    """
    form = _FORMS.get(path.suffix.lower())
    if form is None:
        msg = f"a report cannot be written as {path.suffix}"
        raise InputError(msg, where=str(path), mend="End its name in .html, .pdf or .md.")
    return form


def render_static(template: str, *, script: str = "", **parts: object) -> str:
    """Return a page without charts that live, in the style of the report.

    Args:
        template: File name of the template; it prints `style`, `policy` and `script`.
        script: File name of the only script; "" for a page without.
        **parts: What else it prints, escaped unless marked safe.
    """
    source = _source(script) if script else ""
    allowed = f"script-src 'sha256-{_digest(source)}'; " if script else ""
    policy = f"default-src 'none'; {allowed}style-src 'unsafe-inline'; img-src data:"
    return _TEMPLATES.get_template(template).render(
        style=Markup(_style()),  # noqa: S704 - our own style sheet
        script=Markup(source),  # noqa: S704 - our own script
        policy=f"{policy}; base-uri 'none'",
        **parts,
    )


def write_page(page: str | bytes, path: Path) -> Path:
    """Write a page and return its path.

    Raises:
        InputError: When the file cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(page.encode() if isinstance(page, str) else page)
    except OSError as error:
        msg = f"the report cannot be written ({error.strerror})"
        mend = "Choose a folder you may write to, with --report."
        raise InputError(msg, where=str(path), mend=mend) from error
    return path


def render_markdown(
    result: Comparison,
    *,
    split: Attribution | None = None,
    refused: str = "",
    shop: Shop | None = None,
    provenance: Provenance | None = None,
) -> str:
    """Return the same content as Markdown, without pictures."""
    view = build_view(result, split=split, refused=refused, shop=shop, provenance=provenance)
    return _markdown(view, set(), "")


def _markdown(view: View, files: Collection[str], folder: str) -> str:
    """Return the view as Markdown; a chart among the files of the folder is shown."""
    names = {name: file_name(name, ".svg") for name in view.captions}
    shown = {name: f"{quote(folder)}/{file}" for name, file in names.items() if file in files}
    photographs = sorted(f"{quote(folder)}/{file}" for file in files if "photograph" in file)
    return _TEMPLATES.get_template("report.md.j2").render(
        view=view, pictures=shown, photographs=photographs
    )


def _write_photographs(view: View, folder: Path) -> list[Path]:
    photographs = () if view.shop is None else view.shop.photographs
    return [
        write_page(image.data, folder / f"photograph_{at:02d}{image.suffix}")
        for at, image in enumerate(photographs, start=1)
    ]


def _style() -> str:
    """Return the style sheet, headed by the charts' colours as variables."""
    dark = f"@media screen and (prefers-color-scheme: dark) {{{_variables(DARK_PALETTE)}}}"
    return f"{_variables(PALETTE)}\n{dark}\n{_source('report.css')}"


def _variables(palette: Mapping[str, str]) -> str:
    values = "".join(f"--c-{name}:{color};" for name, color in palette.items())
    return f":root{{{values}}}"


def _source(name: str) -> str:
    text, _, _ = _TEMPLATES.loader.get_source(_TEMPLATES, name)  # pyright: ignore[reportOptionalMemberAccess]
    return text


def _policy(scripts: tuple[str, ...]) -> str:
    """Return a content security policy under which only our own scripts run and nothing loads.

    The chart runtime compiles its expressions with the Function constructor, hence unsafe-eval;
    the scripts themselves are allowed by their hash, so no script smuggled in as text would run.
    """
    hashes = " ".join(f"'sha256-{_digest(script)}'" for script in scripts)
    return (
        f"default-src 'none'; script-src {hashes} 'unsafe-eval'; style-src 'unsafe-inline'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )


def _digest(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
