"""Lengths as people write them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from flatscan.core.errors import BadValue
from flatscan.core.typed import is_length, parse_length, unit_named
from flatscan.core.units import feet_and_inches


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("4.2 m", 4.2), ("4,2m", 4.2), ("4200 mm", 4.2), ("420 CM", 4.2), (".5 in", 0.0127), ("1e-3 m", 1e-3),
        ("13ft9in", 4.191), ("13' 9\"", 4.191), ("13’ 9”", 4.191), ("13′ 9″", 4.191), ("13'9", 4.191),
        ("13'-9\"", 4.191), ("13'-9 1/2\"", 4.2037),
        ("13 ft 9 1/2 in", 4.2037), ("13ft", 3.9624), ("9''", 0.2286), ("9 in.", 0.2286), ("5 feet 3 inches", 1.6002),
        ("5 7/8 in", 0.149225), ("5-7/8\"", 0.149225), ("5⅞ in", 0.149225), ("½\"", 0.0127), ("7/8in", 0.022225),
        ("4 m 20 cm", 4.2), ("4m 5mm", 4.005), ("-3 mm", -0.003), ("−5 1/2 in", -0.1397), ("+3mm", 0.003),
        ("1\u00a0000.5\u202fmm".replace("\u00a0", ""), 1.0005), ("3\u2009mm", 0.003),
    ],
)  # fmt: skip
def test_what_people_write(text, metres):
    assert_allclose(parse_length(text), metres, rtol=1e-12)


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "m",
        "3",
        "1/0 in",
        "13ft 14in",
        "5in 3ft",
        "1 2 m",
        "nan",
        "inf m",
        "1e999 m",
        "3 mm 4",
        "1.8 m x",
        "-",
        "--3mm",
        "13' 9'",
        "1m 2in",
        "4 200 mm",
        "1,2,3 m",
        "3 furlong",
        "1.2.3 mm",
        "²m",
        "٣ m",
        "9" * 100 + " m",
    ],
)
def test_what_is_no_length(text):
    assert not is_length(text, None)
    with pytest.raises(BadValue, match="is not a length"):
        parse_length(text)


def test_a_bare_number_takes_the_unit_it_is_given():
    assert_allclose([parse_length("80", unit="mm"), parse_length("3 1/8", unit="in")], [0.08, 0.079375])
    assert is_length("80")
    assert not is_length("80", None)


@given(st.integers(-4000, 4000))
def test_what_a_sheet_in_inches_says_is_read_back(ticks):
    metres = ticks * 0.0254 / 16
    assert_allclose(parse_length(feet_and_inches(metres)), metres, atol=1e-12)


@given(st.text(max_size=70))
def test_no_text_breaks_it(text):
    assert is_length(text, "mm") in (True, False)


def test_units_by_name():
    assert [unit_named(word) for word in ("mm", " MM ", "metres", "inch", '"', "″", "ft.", "yard", "")] == [
        "mm",
        "mm",
        "m",
        "in",
        "in",
        "in",
        "ft",
        None,
        None,
    ]
