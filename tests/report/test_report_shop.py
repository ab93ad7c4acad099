from __future__ import annotations

import base64
import io

import numpy as np
import pytest
from PIL import Image as Picture

from dynostats.errors import InputError
from dynostats.report import load_shop

PNG = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg=="
)


def write(folder, text):
    path = folder / "shop.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_full_shop_file(tmp_path):
    (tmp_path / "logo.png").write_bytes(PNG)
    (tmp_path / "bay.png").write_bytes(PNG)
    shop = load_shop(
        write(
            tmp_path,
            """
            name = "Example Workshop"
            address = ["1 Test Lane", "Sampletown"]
            logo = "logo.png"
            remarks = '''
            First paragraph,
            still the first.

            Second.
            '''
            [[photograph]]
            file = "bay.png"
            caption = "The test bay"
            alt = "An empty bay with an engine on its stand"
            """,
        )
    )
    assert shop.name == "Example Workshop"
    assert shop.address == ("1 Test Lane", "Sampletown")
    assert shop.remarks == ("First paragraph, still the first.", "Second.")
    assert shop.logo.data_uri.startswith("data:image/png;base64,")
    assert shop.photographs[0].caption == "The test bay"
    assert shop.photographs[0].alt == "An empty bay with an engine on its stand"
    assert base64.b64decode(shop.photographs[0].data_uri.split(",")[1])[:2] == b"\xff\xd8"


def test_a_name_is_enough(tmp_path):
    shop = load_shop(write(tmp_path, 'name = "Example Workshop"'))
    assert (shop.address, shop.logo, shop.remarks, shop.photographs) == ((), None, (), ())


@pytest.mark.parametrize(
    ("text", "says", "mend"),
    [
        ("", "name is missing", 'name = "…"'),
        ("name = 3", "name must be text", 'name = "…"'),
        (
            'name = "A"\neffect_pct = 9.9',
            "effect_pct is not something a shop file can set",
            "Known",
        ),
        ('name = "A"\nadress = ["x"]', "adress is not something", "Did you mean 'address'?"),
        ('name = "A"\naddress = [1]', "address must be a list", "first line"),
        ('name = "A"\nphotograph = "x.png"', "photograph must be a table", "[[photograph]]"),
        ('name = "A"\nlogo = "none.png"', "none.png cannot be read", "beside the shop file"),
        ("name = A", "not a valid TOML file", "straight quotes"),
        ('name = "A"\n[[photograph]]\nfile = "x.png"', "x.png cannot be read", "caption"),
    ],
)
def test_what_is_wrong_is_said_with_a_way_to_mend_it(tmp_path, text, says, mend):
    if "photograph]]" in text:
        says, mend = "caption is missing", 'caption = "…"'
    with pytest.raises(InputError) as caught:
        load_shop(write(tmp_path, text))
    assert says in caught.value.what
    assert mend in caught.value.mend
    assert "shop.toml" in caught.value.where


def test_a_missing_file_is_said(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        load_shop(tmp_path / "nowhere.toml")


PHOTOGRAPH = 'name = "A"\n[[photograph]]\nfile = "p"\ncaption = "Bay"\nalt = "A bay"\n'


@pytest.mark.parametrize(
    "data", [b"<svg onload='alert(1)'/>", b"GIF89a" + bytes(40), PNG[:40], b""], ids=repr
)
def test_what_is_no_picture_of_a_known_kind_is_refused(tmp_path, data):
    (tmp_path / "logo.png").write_bytes(data)
    with pytest.raises(InputError, match="no PNG, JPEG or WebP file, or is damaged") as caught:
        load_shop(write(tmp_path, 'name = "A"\nlogo = "logo.png"'))
    assert "PNG or JPEG" in caught.value.mend


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "WEBP"])
def test_a_large_photograph_is_made_small_whatever_it_is_called(tmp_path, kind):
    noise = np.random.default_rng(1).integers(0, 255, (2000, 3000, 3), dtype=np.uint8)
    Picture.fromarray(noise).save(tmp_path / "p", kind)
    (photograph,) = load_shop(write(tmp_path, PHOTOGRAPH)).photographs
    with Picture.open(io.BytesIO(photograph.data)) as small:
        assert small.format == "JPEG"
        assert small.size == (1400, 933)
    assert len(photograph.data) < 400_000  # pure noise at the lowest quality


def test_a_photograph_stands_upright_and_tells_no_place(tmp_path):
    exif = Picture.Exif()
    exif[0x0112] = 6  # turned by a quarter; tags as in Exif 2.32, from memory
    exif.get_ifd(0x8825)[1] = "N"
    exif[0x010F] = "Maker of the telephone"
    Picture.new("RGB", (60, 40), "red").save(tmp_path / "p", "JPEG", exif=exif)
    (photograph,) = load_shop(write(tmp_path, PHOTOGRAPH)).photographs
    with Picture.open(io.BytesIO(photograph.data)) as small:
        assert small.size == (40, 60)
        assert not dict(small.getexif())
    assert b"telephone" not in photograph.data


def test_a_logo_stays_clear_where_it_is_clear(tmp_path):
    Picture.new("RGBA", (900, 300), (0, 0, 0, 0)).save(tmp_path / "logo.webp")
    logo = load_shop(write(tmp_path, 'name = "A"\nlogo = "logo.webp"')).logo
    with Picture.open(io.BytesIO(logo.data)) as drawn:
        assert drawn.size == (600, 200)
        assert drawn.getpixel((5, 5))[3] == 0


@pytest.mark.parametrize("side", [8_000, 20_000])
def test_a_picture_of_too_many_pixels_is_refused(tmp_path, side):
    # A few kB of file: the size in its head alone decides, nothing is unpacked.
    Picture.new("1", (side, side)).save(tmp_path / "p", "PNG")
    with pytest.raises(InputError, match="more than 60 million pixels"):
        load_shop(write(tmp_path, PHOTOGRAPH))


def test_more_photographs_than_a_report_takes_are_refused(tmp_path):
    (tmp_path / "p").write_bytes(PNG)
    text = PHOTOGRAPH + PHOTOGRAPH.split("\n", 1)[1] * 12
    with pytest.raises(InputError, match="13 photographs; a report takes at most 12"):
        load_shop(write(tmp_path, text))
