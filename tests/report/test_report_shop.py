from __future__ import annotations

import base64

import pytest

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
            """,
        )
    )
    assert shop.name == "Example Workshop"
    assert shop.address == ("1 Test Lane", "Sampletown")
    assert shop.remarks == ("First paragraph, still the first.", "Second.")
    assert shop.logo.data_uri.startswith("data:image/png;base64,")
    assert shop.photographs[0].caption == "The test bay"
    assert base64.b64decode(shop.photographs[0].data_uri.split(",")[1]) == PNG


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


def test_a_picture_of_another_kind_is_refused(tmp_path):
    (tmp_path / "logo.png").write_bytes(b"<svg onload='alert(1)'/>")
    with pytest.raises(InputError, match="neither PNG nor JPEG"):
        load_shop(write(tmp_path, 'name = "A"\nlogo = "logo.png"'))


def test_a_picture_too_large_for_a_page_is_refused(tmp_path):
    (tmp_path / "logo.png").write_bytes(PNG + bytes(2_000_000))
    with pytest.raises(InputError, match=r"2\.0 MB; at most 2 MB"):
        load_shop(write(tmp_path, 'name = "A"\nlogo = "logo.png"'))
