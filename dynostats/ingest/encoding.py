"""Bytes to text: which encoding, and is it text at all."""

from __future__ import annotations

import codecs

from dynostats.errors import InputError

_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_WIDE_MARKS = tuple(mark for mark, encoding in _BYTE_ORDER_MARKS if encoding != "utf-8")
_CODE_UNIT = {"utf-8": 1, "utf-16-le": 2, "utf-16-be": 2, "utf-32-le": 4, "utf-32-be": 4}
_DOS_END_OF_FILE = "\x1a"
_CONTROL = bytes(set(range(32)) - set(b"\t\n\r\x0b\x0c\x1a"))
_CONTROL_TEXT = dict.fromkeys(_CONTROL)


def decode_text(data: bytes, *, name: str) -> str:
    r"""Return the text of a file with line ends made one newline each.

    A byte-order mark decides; without one, NUL bytes at every other place mean UTF-16, then UTF-8
    is tried strictly, then Windows-1252 (a superset of Latin-1's printable part).

    Args:
        data: The whole file.
        name: Its name, for messages.

    Raises:
        InputError: If it is empty or not text; nothing is ever decoded by replacing bytes.

    Example:
        >>> decode_text("a;°C\r\n1;2\r".encode("latin-1"), name="x.csv")
        'a;°C\n1;2\n'
    """
    if not data:
        raise InputError(
            "Nothing ingested: the file is empty (0 bytes).",
            where=name,
            mend="Export the log again; the copy may have been interrupted.",
        )
    text = _decode(data, name=name)
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    return text.removesuffix(_DOS_END_OF_FILE)


def decode_head(data: bytes) -> str | None:
    """Return the text of lines above which and below which all is ASCII; None where care is needed.

    What `decode_text` gives for the whole file, for the first lines alone.
    """
    bare = data.removeprefix(codecs.BOM_UTF8)
    if len(bare.translate(None, _CONTROL)) != len(bare) or bare.startswith(_WIDE_MARKS):
        return None
    try:
        return bare.decode("utf-8")
    except UnicodeDecodeError:
        pass
    try:
        return bare.decode("cp1252") if bare is data else None
    except UnicodeDecodeError:
        return None


def _decode(data: bytes, *, name: str) -> str:
    for mark, encoding in _BYTE_ORDER_MARKS:
        if data.startswith(mark):
            return _decode_marked(data[len(mark) :], encoding, name=name)
    wide = _guess_wide(data)
    if wide:
        return _decode_marked(data, wide, name=name)
    _refuse_control_bytes(data, name=name)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        cut = data[: error.start]
        if error.reason == "unexpected end of data" and cut:
            return cut.decode("utf-8")
    try:
        return data.decode("cp1252")
    except UnicodeDecodeError as error:
        raise _not_text(name, error.start) from None


def _decode_marked(data: bytes, encoding: str, *, name: str) -> str:
    whole = len(data) - len(data) % _CODE_UNIT[encoding]
    try:
        text = data[:whole].decode(encoding)
    except UnicodeDecodeError as error:
        if error.reason == "unexpected end of data":
            text = data[: error.start].decode(encoding)
        else:
            raise _not_text(name, error.start) from None
    cleaned = text.translate(_CONTROL_TEXT)
    if len(cleaned) != len(text):
        place = next(i for i, letter in enumerate(text) if ord(letter) in _CONTROL_TEXT)
        raise _not_text(name, place * _CODE_UNIT[encoding])
    return text


def _guess_wide(data: bytes) -> str:
    """Return the UTF-16 flavour of text without a mark: NUL bytes at every other place."""
    head = data[:2000]
    half = len(head) // 2
    even, odd = head[0::2].count(0), head[1::2].count(0)
    if half and odd > 0.7 * half and even == 0:
        return "utf-16-le"
    if half and even > 0.7 * half and odd == 0:
        return "utf-16-be"
    return ""


def _refuse_control_bytes(data: bytes, *, name: str) -> None:
    if len(data.translate(None, _CONTROL)) != len(data):
        control = set(_CONTROL)
        raise _not_text(name, next(i for i, byte in enumerate(data) if byte in control))


def _not_text(name: str, place: int) -> InputError:
    return InputError(
        f"Nothing ingested: this is not a text table (bytes from number {place} on are no text).",
        where=name,
        mend="Export the log as CSV, XLSX, Parquet or MDF 4 from the program that wrote it.",
    )
