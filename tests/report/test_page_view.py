"""The drawing on the page, in a browser with fingers: bands as on the sheets, marks, zoom, a page that scrolls."""

import numpy as np
import pytest
from results import reported
from scipy.ndimage import map_coordinates

from flatscan.report.bands import band_of
from flatscan.report.page import packing


def drawing_of(report, shows):
    return next(it for it in report.shown_on("page") if it.shows == shows)


def touch(phone, *steps):
    """Touches as the screen itself gives them: each step is a kind and the places of all fingers."""
    for kind, places in steps:
        points = [{"x": x, "y": y, "id": number} for number, (x, y) in enumerate(places)]
        phone.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": f"touch{kind}", "touchPoints": points})


def view(phone):
    return phone.execute_script("return window.flatscan.view()")


def settled(phone):
    """Where the page stands once a swipe has run out."""
    return phone.execute_async_script(
        "const done = arguments[0]; let last = -1, same = 0;"
        "const look = () => { same = window.scrollY === last ? same + 1 : 0; last = window.scrollY;"
        " if (same > 12) done(last); else requestAnimationFrame(look); };"
        "look();"
    )


def to_the_drawing(phone):
    """The middle of the drawing, brought to the middle of the screen."""
    phone.execute_script("document.getElementById('wall').scrollIntoView({block: 'center'})")
    return phone.execute_script(
        "const b = document.getElementById('wall').getBoundingClientRect();"
        "return [b.left + b.width / 2, b.top + b.height / 2]"
    )


@pytest.mark.parametrize("shows", ["relief", "gaps"])
def test_bands_are_those_of_the_sheets(opened, check, shows):
    """The same means over 60 mm and the same bands, at places between the cells as well."""
    phone, drawing = opened(check), drawing_of(reported(check), shows)
    phone.execute_script(f"document.querySelector('input[value={shows}]').click()")
    relief, bands = check.relief, drawing.bands()
    rng = np.random.default_rng(2)
    x, y = rng.uniform(0.1, 3.9, 400), rng.uniform(0.1, 2.3, 400)
    at = (y - relief.y[0]) / relief.cell, (x - relief.x[0]) / relief.cell
    drawn = map_coordinates(drawing.drawn, at, order=1)
    known = np.isfinite(drawn)
    assert known.sum() > 250
    there = phone.execute_script(
        "return arguments[0].map(([x, y]) => window.flatscan.band(x, y))", np.stack([x, y], 1)[known].tolist()
    )
    here = band_of(drawn[known], bands)
    # float32 on the page: a value within a micrometre of an edge may fall either way
    off = np.flatnonzero(here != np.array(there))
    edges = np.array([band.high for band in bands[:-1]])
    assert all(np.abs(drawn[known][k] - edges).min() < 1e-6 for k in off)
    assert len(set(there)) > 1


def test_the_worst_place_is_marked_on_the_first_drawing(check, survey, findings_for):
    for found in (check, survey, findings_for("lows")):
        made = packing.pack(reported(found), "mm")
        assert "G1" in [spot["mark"] for spot in made["layers"][0]["spots"]]
        (x0, _), (x1, _) = made["worst"]["ends"]
        assert (x0, x1) == (found.gaps.worst.left[0], found.gaps.worst.right[0])
    lows = findings_for("lows")
    marks = {spot["mark"] for spot in packing.pack(reported(lows), "mm")["layers"][0]["spots"]}
    assert {f"L{low.number}" for low in lows.lows} <= marks


def test_every_dot_stands_on_the_drawing_with_its_packing(findings_for):
    found = findings_for("setout")
    dots = packing.pack(reported(found), "mm")["dots"]
    laid = [(screed.x, dot.y, dot.packing) for screed in found.set_out.screeds for dot in screed.dots]
    assert [(dot["x"], dot["y"]) for dot in dots] == [(x, y) for x, y, _ in laid]
    assert [dot["text"] for dot in dots] == ["" if p is None else f"{p * 1000:.0f}" for _, _, p in laid]
    assert sum(dot["start"] for dot in dots) == 1


def test_two_fingers_come_nearer_and_one_swipes_the_page(opened, sized):
    """A pier fills the screen of a phone: the page must still be swiped over it."""
    phone = opened(sized(0.9, 2.6))
    x, y = to_the_drawing(phone)
    before = phone.execute_script("return window.scrollY")
    touch(phone, ("Start", [(x, y)]), *(("Move", [(x, y - 12 * k)]) for k in range(1, 13)), ("End", []))
    assert settled(phone) > before + 60
    assert view(phone)["whole"]
    x, y = to_the_drawing(phone)
    apart = [[(x - 20 - 5 * k, y), (x + 20 + 5 * k, y)] for k in range(9)]
    still = phone.execute_script("return window.scrollY")
    touch(phone, ("Start", apart[0]), *(("Move", places) for places in apart[1:]), ("End", []))
    seen = view(phone)
    assert not seen["whole"]
    assert phone.execute_script("return window.scrollY") == still
    # and the place between the fingers stayed between them
    middle = phone.execute_script("return window.flatscan.spot(0.45, 1.3)")
    np.testing.assert_allclose([middle["x"], middle["y"]], [x, y], atol=3)
    phone.execute_script("document.querySelector('[data-zoom=all]').click()")
    assert view(phone)["whole"]


def test_one_finger_lays_the_straightedge_with_that_tool(opened, check):
    phone = opened(check)
    phone.execute_script("window.flatscan.use('edge')")
    x, y = to_the_drawing(phone)
    before, scrolled = phone.find_element("id", "reading").text, phone.execute_script("return window.scrollY")
    touch(phone, ("Start", [(x - 80, y)]), *(("Move", [(x - 80, y - 8 * k)]) for k in range(1, 9)), ("End", []))
    assert phone.execute_script("return window.scrollY") == scrolled
    phone.execute_script("return new Promise(requestAnimationFrame)")
    assert phone.find_element("id", "reading").text != before


def test_the_wheel_comes_nearer_and_leaves_the_page_alone_at_its_end(opened, check):
    phone = opened(check)
    x, y = to_the_drawing(phone)
    turn = {"type": "mouseWheel", "x": x, "y": y, "deltaX": 0}
    phone.execute_cdp_cmd("Input.dispatchMouseEvent", {**turn, "deltaY": -300})
    assert not view(phone)["whole"]
    phone.execute_cdp_cmd("Input.dispatchMouseEvent", {**turn, "deltaY": 3000})
    assert view(phone)["whole"]


def test_a_long_wall_is_shown_large_enough_to_be_read(opened, sized):
    """9 m on 360 px: a part of it with its worst place, under the whole of it."""
    phone = opened(sized(9.0, 3.0))
    seen, ratio = view(phone), phone.execute_script("return window.devicePixelRatio")
    assert not seen["whole"]
    # a metre is some 70 px wide; all of it on the screen is 37
    assert seen["k"] / ratio > 70
    overview = phone.find_element("id", "overview")
    assert overview.is_displayed()
    before = seen["x"]
    phone.execute_script("document.getElementById('overview').scrollIntoView({block: 'center'})")
    box = phone.execute_script(
        "const b = arguments[0].getBoundingClientRect(); return [b.left, b.top, b.height]", overview
    )
    touch(phone, ("Start", [(box[0] + 20, box[1] + box[2] / 2)]), ("End", []))
    assert view(phone)["x"] < before


@pytest.mark.parametrize("size", [(4.0, 2.4), (0.9, 2.6), (9.0, 3.0)], ids=str)
def test_drawing_and_reading_are_seen_together_on_a_phone(opened, sized, size):
    phone = opened(sized(*size))
    top, bottom = phone.execute_script(
        "return [document.getElementById('wall').getBoundingClientRect().top,"
        " document.getElementById('reading').getBoundingClientRect().bottom]"
    )
    assert bottom - top < 0.75 * 740
