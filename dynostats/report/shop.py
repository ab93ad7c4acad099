"""What a shop adds to a report: its name, address, logo, remarks and photographs.

The finding's numbers are not among them: a file that tries to set anything else is refused.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Final, cast

from dynostats.errors import InputError
from dynostats.report.photographs import Image, read_logo, read_photograph
from dynostats.words import did_you_mean

_KEYS: Final = ("name", "address", "logo", "remarks", "photograph")
_PHOTOGRAPH_KEYS: Final = ("file", "caption", "alt")
_MOST_PHOTOGRAPHS: Final = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Shop:
    """The shop that signs the report.

    Args:
        name: The shop's name.
        address: Lines of the address, telephone or anything else under the name.
        logo: The logo, if any.
        remarks: Paragraphs in the shop's own words, marked as such on the page.
        photographs: Pictures with captions.
    """

    name: str
    address: tuple[str, ...] = ()
    logo: Image | None = None
    remarks: tuple[str, ...] = ()
    photographs: tuple[Image, ...] = ()


def load_shop(path: Path) -> Shop:
    """Read a shop file.

    Args:
        path: A TOML file with `name`, and if wanted `address` (list of lines), `logo` (picture
            file), `remarks` (text) and `[[photograph]]` tables with `file`, `caption` and `alt`
            (what is to be seen, for readers who do not see it). Picture files are looked for
            beside the TOML file.

    Raises:
        InputError: When the file cannot be read, has an unknown key, a value of the wrong kind,
            or a picture that is missing, far too large, or no PNG, JPEG or WebP.
    """
    where = str(path)
    table = _read_toml(path)
    _refuse_unknown(table, _KEYS, where=where)
    return Shop(
        name=_text(table, "name", where=where),
        address=_lines(table, "address", where=where),
        logo=_logo(path, table),
        remarks=_paragraphs(_text(table, "remarks", where=where, optional=True)),
        photographs=_photographs(path, table),
    )


def _read_toml(path: Path) -> dict[str, object]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        msg = f"the shop file cannot be read ({error})"
        raise InputError(msg, where=str(path), mend="Check the path.") from error
    except tomllib.TOMLDecodeError as error:
        msg = f"not a valid TOML file ({error})"
        mend = 'Write lines like name = "Our workshop", with straight quotes around text.'
        raise InputError(msg, where=str(path), mend=mend) from error


def _refuse_unknown(table: dict[str, object], known: tuple[str, ...], *, where: str) -> None:
    for key in table:
        if key not in known:
            msg = f"{key} is not something a shop file can set"
            raise InputError(
                msg, where=where, mend=f"{did_you_mean(key, known)}Known: {', '.join(known)}."
            )


def _text(table: dict[str, object], key: str, *, where: str, optional: bool = False) -> str:
    value = table.get(key, "" if optional else None)
    if isinstance(value, str) and (optional or value.strip()):
        return value.strip()
    msg = f"{key} is missing" if value is None else f"{key} must be text"
    raise InputError(msg, where=where, mend=f'Add a line {key} = "…".')


def _lines(table: dict[str, object], key: str, *, where: str) -> tuple[str, ...]:
    value = table.get(key, [])
    lines = cast("list[object]", value) if isinstance(value, list) else [value]
    if not all(isinstance(line, str) for line in lines):
        msg = f"{key} must be a list of lines of text"
        raise InputError(msg, where=where, mend=f'Write {key} = ["first line", "second line"].')
    return tuple(str(line) for line in lines)


def _tables(table: dict[str, object], key: str, *, where: str) -> list[dict[str, object]]:
    value = table.get(key, [])
    entries = cast("list[object]", value) if isinstance(value, list) else [value]
    if not all(isinstance(entry, dict) for entry in entries):
        msg = f"{key} must be a table with file, caption and alt"
        raise InputError(
            msg, where=where, mend=f'Write [[{key}]], then file, caption and alt, each = "…".'
        )
    return cast("list[dict[str, object]]", entries)


def _paragraphs(text: str) -> tuple[str, ...]:
    return tuple(" ".join(part.split()) for part in text.split("\n\n") if part.strip())


def _logo(path: Path, table: dict[str, object]) -> Image | None:
    if "logo" not in table:
        return None
    return read_logo(path.parent / _text(table, "logo", where=str(path)), where=str(path))


def _photographs(path: Path, table: dict[str, object]) -> tuple[Image, ...]:
    entries = _tables(table, "photograph", where=str(path))
    if len(entries) > _MOST_PHOTOGRAPHS:
        msg = f"{len(entries)} photographs; a report takes at most {_MOST_PHOTOGRAPHS}"
        raise InputError(msg, where=str(path), mend="Keep those that show what was changed.")
    return tuple(_photograph(path, entry) for entry in entries)


def _photograph(path: Path, entry: dict[str, object]) -> Image:
    where = f"{path}, photograph"
    _refuse_unknown(entry, _PHOTOGRAPH_KEYS, where=where)
    file, caption, alt = (_text(entry, key, where=where) for key in _PHOTOGRAPH_KEYS)
    return read_photograph(path.parent / file, caption=caption, alt=alt, where=where)
