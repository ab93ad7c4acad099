"""What a shop adds to a report: its name, address, logo, remarks and photographs.

The finding's numbers are not among them: a file that tries to set anything else is refused.
"""

from __future__ import annotations

import base64
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Final, cast

from dynostats.errors import InputError
from dynostats.words import did_you_mean

_MAGIC: Final = {
    b"\x89PNG\r\n\x1a\n": "image/png",
    b"\xff\xd8\xff": "image/jpeg",
}
_LARGEST_IMAGE_BYTES: Final = 2_000_000
_KEYS: Final = ("name", "address", "logo", "remarks", "photograph")
_PHOTOGRAPH_KEYS: Final = ("file", "caption")


@dataclass(frozen=True, slots=True, kw_only=True)
class Image:
    """A picture inside the page.

    Args:
        data_uri: The bytes as a data URI, so that the page needs no second file.
        caption: What it shows; "" for a logo.
    """

    data_uri: str
    caption: str = ""


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
            file), `remarks` (text) and `[[photograph]]` tables with `file` and `caption`.
            Picture files are looked for beside the TOML file.

    Raises:
        InputError: When the file cannot be read, has an unknown key, a value of the wrong kind,
            or a picture that is missing, too large or neither PNG nor JPEG.
    """
    where = str(path)
    table = _read_toml(path)
    _refuse_unknown(table, _KEYS, where=where)
    logo = table.get("logo")
    return Shop(
        name=_text(table, "name", where=where),
        address=_lines(table, "address", where=where),
        logo=None if logo is None else _image(path, _text(table, "logo", where=where), caption=""),
        remarks=_paragraphs(_text(table, "remarks", where=where, optional=True)),
        photographs=tuple(
            _photograph(path, entry) for entry in _tables(table, "photograph", where=where)
        ),
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
        msg = f"{key} must be a table with file and caption"
        raise InputError(msg, where=where, mend=f'Write [[{key}]], then file = "…", caption = "…".')
    return cast("list[dict[str, object]]", entries)


def _paragraphs(text: str) -> tuple[str, ...]:
    return tuple(" ".join(part.split()) for part in text.split("\n\n") if part.strip())


def _photograph(path: Path, entry: dict[str, object]) -> Image:
    where = f"{path}, photograph"
    _refuse_unknown(entry, _PHOTOGRAPH_KEYS, where=where)
    file = _text(entry, "file", where=where)
    return _image(path, file, caption=_text(entry, "caption", where=where))


def _image(path: Path, file: str, *, caption: str) -> Image:
    """Return a picture that lies beside the shop file as a data URI."""
    picture = path.parent / file
    try:
        data = picture.read_bytes()
    except OSError as error:
        msg = f"the picture {file} cannot be read"
        mend = "Put the picture beside the shop file, or write its path from there."
        raise InputError(msg, where=str(path), mend=mend) from error
    if len(data) > _LARGEST_IMAGE_BYTES:
        msg = f"the picture {file} is {len(data) / 1e6:.1f} MB; at most 2 MB go into a report"
        raise InputError(msg, where=str(path), mend="Save it smaller, e.g. 1600 pixels wide.")
    kind = next((name for magic, name in _MAGIC.items() if data.startswith(magic)), None)
    if kind is None:
        msg = f"the picture {file} is neither PNG nor JPEG"
        raise InputError(msg, where=str(path), mend="Save it as PNG or JPEG.")
    return Image(data_uri=f"data:{kind};base64,{base64.b64encode(data).decode()}", caption=caption)
