"""Pictures of the shop: read, checked by their bytes, made small, and freed of what they carry.

A telephone writes the place and the owner into a photograph; drawing it anew leaves both behind.
"""

from __future__ import annotations

import base64
import io
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import PIL.Image
from PIL import ImageOps

from dynostats.errors import InputError

KINDS: Final = {"PNG": "image/png", "JPEG": "image/jpeg"}
_READ: Final = ("PNG", "JPEG", "WEBP")
_LARGEST_FILE_BYTES: Final = 30_000_000
_MOST_PIXELS: Final = 60_000_000
_PHOTOGRAPH_PX: Final = 1400
_LOGO_PX: Final = 600
_LARGEST_BYTES: Final = 300_000
_QUALITIES: Final = (82, 70, 58, 46, 34)


@dataclass(frozen=True, slots=True, kw_only=True)
class Image:
    """A picture inside the report.

    Args:
        data: The bytes of a PNG or JPEG file.
        kind: "PNG" or "JPEG".
        caption: What it shows, printed under it; "" for a logo.
        alt: What is to be seen, for readers who do not see it.
    """

    data: bytes
    kind: str = "PNG"
    caption: str = ""
    alt: str = ""

    @property
    def data_uri(self) -> str:
        """Return the bytes as a data URI, so that the page needs no second file."""
        return f"data:{KINDS[self.kind]};base64,{base64.b64encode(self.data).decode()}"

    @property
    def suffix(self) -> str:
        """Return how a file of it is named: ".png" or ".jpg"."""
        return {"PNG": ".png", "JPEG": ".jpg"}[self.kind]


def read_logo(path: Path, *, where: str) -> Image:
    """Read a logo; what is clear in it stays clear.

    Args:
        path: A PNG, JPEG or WebP file.
        where: The file that names it, for messages.

    Raises:
        InputError: When it cannot be read, is of another kind, or far too large.
    """
    picture = _read(path, where)
    picture.thumbnail((_LOGO_PX, _LOGO_PX))
    return Image(data=_png(picture), kind="PNG")


def read_photograph(path: Path, *, caption: str, alt: str, where: str) -> Image:
    """Read a photograph, at most 1400 pixels long and 300 kB large in the report.

    Args:
        path: A PNG, JPEG or WebP file.
        caption: What it shows, printed under it.
        alt: What is to be seen, for readers who do not see it.
        where: The file that names it, for messages.

    Raises:
        InputError: When it cannot be read, is of another kind, or far too large.
    """
    picture = _read(path, where)
    picture.thumbnail((_PHOTOGRAPH_PX, _PHOTOGRAPH_PX))
    return Image(data=_jpeg(picture), kind="JPEG", caption=caption, alt=alt)


def _read(path: Path, where: str) -> PIL.Image.Image:
    """Return the picture upright, without anything but its pixels."""
    try:
        data = path.read_bytes()
    except OSError as error:
        msg = f"the picture {path.name} cannot be read"
        mend = "Put the picture beside the shop file, or write its path from there."
        raise InputError(msg, where=where, mend=mend) from error
    if len(data) > _LARGEST_FILE_BYTES:
        msg = f"the picture {path.name} is {len(data) / 1e6:.0f} MB; at most 30 MB are read"
        raise InputError(msg, where=where, mend="Save it smaller, e.g. 1600 pixels wide.")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", PIL.Image.DecompressionBombWarning)
            return _decode(data, path.name, where)
    except PIL.Image.DecompressionBombError as error:
        raise _too_many_pixels(path.name, where) from error
    except (OSError, SyntaxError, ValueError) as error:
        msg = f"the picture {path.name} is no PNG, JPEG or WebP file, or is damaged"
        raise InputError(msg, where=where, mend="Save it anew as PNG or JPEG.") from error


def _too_many_pixels(name: str, where: str) -> InputError:
    msg = f"the picture {name} has more than {_MOST_PIXELS / 1e6:.0f} million pixels"
    return InputError(msg, where=where, mend="Save it smaller, e.g. 1600 pixels wide.")


def _decode(data: bytes, name: str, where: str) -> PIL.Image.Image:
    with PIL.Image.open(io.BytesIO(data), formats=_READ) as picture:
        if picture.width * picture.height > _MOST_PIXELS:
            raise _too_many_pixels(name, where)
        upright = ImageOps.exif_transpose(picture)
        clear = upright.mode in ("RGBA", "LA", "PA") or "transparency" in upright.info
        plain = upright.convert("RGBA" if clear else "RGB")
    plain.info.clear()
    return plain


def _png(picture: PIL.Image.Image) -> bytes:
    file = io.BytesIO()
    picture.save(file, "PNG", optimize=True)
    return file.getvalue()


def _jpeg(picture: PIL.Image.Image) -> bytes:
    """Return the picture as a JPEG file, on white, as good as the size allows."""
    ground = PIL.Image.new("RGB", picture.size, "white")
    ground.paste(picture, mask=picture if picture.mode == "RGBA" else None)
    data = b""
    for quality in _QUALITIES:
        file = io.BytesIO()
        ground.save(file, "JPEG", quality=quality, optimize=True, progressive=True)
        data = file.getvalue()
        if len(data) <= _LARGEST_BYTES:
            break
    return data
