"""The look: fonts that are there, letters that are not, text that fits its room."""

from concurrent.futures import ThreadPoolExecutor

import pytest

from flatscan import sheets
from flatscan.errors import OutputError
from flatscan.sheets.figures import lettering, style


def test_letters_the_font_has_not_got_are_shown_as_such():
    assert (
        style.printable("Wand \u00fc\u00e9 \u2264 \u00b1 \u6f22 \U0001f9f1")
        == "Wand \u00fc\u00e9 \u2264 \u00b1 \u25a1 \u25a1"
    )
    assert style.printable(" a\n\tb\x00c ") == "a b\u25a1c"


def test_a_missing_font_says_what_to_do(monkeypatch):
    from matplotlib import font_manager

    def nothing(*args, **kwargs):
        raise ValueError("Failed to find font DejaVu Sans")

    style._letters.cache_clear()
    monkeypatch.setattr(font_manager, "findfont", nothing)
    try:
        with pytest.raises(OutputError, match="Install matplotlib anew"):
            style.printable("Wall")
    finally:
        style._letters.cache_clear()


@pytest.mark.parametrize("text", ["short", "a longer line of words " * 8, "x" * 400, "", "word " + "y" * 90 + " end"])
def test_wrapped_lines_fit_and_lose_nothing(text):
    lines = lettering.wrapped(text, 2.0, 9.0)
    assert all(lettering.width(line, 9.0) <= 2.0 for line in lines)
    assert "".join("".join(lines).split()) == "".join(text.split())


def test_cut_and_fitted_lines_fit():
    long = "north wall of the upper stair between the first and the second landing"
    assert lettering.cut("wall", 2.0, 9.0) == "wall"
    cut = lettering.cut(long, 2.0, 9.0)
    assert cut.endswith("…")
    assert lettering.width(cut, 9.0) <= 2.0
    lines, size = lettering.fitted(long, 2.0, 13.0, 7.0, 2)
    assert len(lines) <= 2
    assert 7.0 <= size <= 13.0
    assert all(lettering.width(line, size) <= 2.0 for line in lines)


def test_a_room_narrower_than_a_letter_ends():
    assert lettering.wrapped("abc", 0.001, 9.0) == ["a", "b", "c"]


def test_luminance_weights_are_those_of_bt_709():
    # ITU-R BT.709: 0.2126, 0.7152, 0.0722
    assert style.to_grey("#ff0000") == pytest.approx(0.2126)
    assert style.to_grey("#ffffff") == pytest.approx(1.0)


def test_threads_that_draw_at_once_get_the_same_bytes(tmp_path, build):
    """A page that serves several people draws in several threads."""
    findings = build("lows", cell=0.05)

    def drawn(number):
        sheets.write(findings, tmp_path / str(number), formats=("png",))
        return [path.read_bytes() for path in sorted((tmp_path / str(number)).iterdir())]

    with ThreadPoolExecutor(3) as pool:
        first, *others = pool.map(drawn, range(3))
    assert all(other == first for other in others)
