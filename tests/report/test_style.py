"""The look: fonts that are there, letters that are not, text that fits its room."""

from concurrent.futures import ThreadPoolExecutor
from threading import Event

import pytest

from flatscan.core.errors import OutputError
from flatscan.report.figures import style


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
    lines = style.wrapped(text, 2.0, 9.0)
    assert all(style.width(line, 9.0) <= 2.0 for line in lines)
    assert "".join("".join(lines).split()) == "".join(text.split())


def test_cut_and_fitted_lines_fit():
    long = "north wall of the upper stair between the first and the second landing"
    assert style.cut("wall", 2.0, 9.0) == "wall"
    cut = style.cut(long, 2.0, 9.0)
    assert cut.endswith("…")
    assert style.width(cut, 9.0) <= 2.0
    lines, size = style.fitted(long, 2.0, 13.0, 7.0, 2)
    assert len(lines) <= 2
    assert 7.0 <= size <= 13.0
    assert all(style.width(line, size) <= 2.0 for line in lines)


def test_a_room_narrower_than_a_letter_ends():
    assert style.wrapped("abc", 0.001, 9.0) == ["a", "b", "c"]


def test_luminance_weights_are_those_of_bt_709():
    # ITU-R BT.709: 0.2126, 0.7152, 0.0722
    assert style.to_grey("#ff0000") == pytest.approx(0.2126)
    assert style.to_grey("#ffffff") == pytest.approx(1.0)


def test_two_threads_never_draw_at_once():
    """matplotlib's settings belong to the process: a page that serves several people draws for one after the other."""
    inside, leave, second = Event(), Event(), Event()

    def first():
        with style.sheet_style():
            inside.set()
            leave.wait(10)

    def other():
        inside.wait(10)
        with style.sheet_style():
            second.set()

    with ThreadPoolExecutor(2) as pool:
        work = [pool.submit(first), pool.submit(other)]
        assert inside.wait(10)
        assert not second.wait(0.3)
        leave.set()
        for job in work:
            job.result(10)
    assert second.is_set()


def test_a_sheet_drawn_inside_another_does_not_wait_for_itself():
    with style.sheet_style(), style.sheet_style():
        assert style.printable("Wall") == "Wall"
