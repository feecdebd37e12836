"""No figure lies over another: the boxes of all texts on all drawings of several walls, by the real renderer."""

import dataclasses
import itertools

import numpy as np
import pytest
from matplotlib.text import Text
from results import reported, result_of

import flatscan as fs
from flatscan import report
from flatscan.core.notes import note
from flatscan.report.bands import Spot
from flatscan.report.figures import apart, draw, style
from flatscan.report.paper import pdf

# boxes that share no more than this [pixels at 100 dots per inch] touch, and nobody sees it
TOUCH = 1.0
DENSE = 1000


def cloud(width, height, hole=None):
    """A scanned wall before the origin with two humps and a hollow: n points a m2, a hole where there is an opening."""
    rng = np.random.default_rng(11)
    n = round(width * height * DENSE)
    x, y = rng.uniform(0, width, n), rng.uniform(0, height, n)

    def bump(at, up, high, wide):
        return high * np.exp(-((x - at * width) ** 2 + (y - up * height) ** 2) / (2 * wide**2))

    z = 0.002 * y + bump(0.3, 0.6, 0.009, 0.12) + bump(0.7, 0.35, 0.007, 0.12) - bump(0.55, 0.75, 0.008, 0.4)
    z += rng.normal(0, 0.0004, n)
    keep = np.ones(n, bool) if hole is None else (np.abs(x - hole[0]) > 0.5) | (np.abs(y - hole[1]) > 0.5)
    return np.stack([x, 3 - z, y], axis=1)[keep]


HOW = {"capture_type": "scanner", "up": "z", "file_unit": "m", "cell": "50 mm"}


@pytest.fixture(scope="module")
def walls():
    """A wall of 9 m with a window, and a pier 0.5 m wide."""
    long = fs.relief(cloud(9.0, 2.6, (2.5, 1.4)), seen_from=(4, -3, 1), opening=((2.0, 0.9, 3.0, 1.9),), **HOW)
    return {"long": long, "pier": fs.relief(cloud(0.5, 2.4), seen_from=(0.2, -3, 1), **HOW)}


def box_of(text, renderer):
    bubble = text.get_bbox_patch()
    if text.get_gid() == apart.MARK and bubble is not None:
        text.update_bbox_position_size(renderer)
        return bubble.get_window_extent(renderer)
    return text.get_window_extent(renderer)


def beyond_the_scale(figure):
    """Labels of ticks that lie off their axis, which are made and not drawn."""
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            for tick in axis.get_major_ticks():
                if not low - 1e-9 <= tick.get_loc() <= high + 1e-9:
                    yield from (tick.label1, tick.label2)


def overlaps(figure):
    """Pairs of texts of which one lies over the other."""
    figure.draw_without_rendering()
    renderer, off = figure.canvas.get_renderer(), set(beyond_the_scale(figure))
    texts = [text for text in figure.findobj(Text) if text.get_visible() and text.get_text().strip()]
    texts = [text for text in texts if text not in off]
    boxes = [(text.get_text(), box_of(text, renderer)) for text in texts]
    for (one, a), (other, b) in itertools.combinations(boxes, 2):
        wide = min(a.x1, b.x1) - max(a.x0, b.x0)
        high = min(a.y1, b.y1) - max(a.y0, b.y0)
        if wide > TOUCH and high > TOUCH:
            yield one, other


# a set-out of the long wall holds its build-up too; the sweeps are quick on the pier
@pytest.mark.parametrize(
    ("wall", "job"), [("long", "set_out"), ("pier", "survey"), ("pier", "set_out"), ("pier", "lows")]
)
def test_no_text_lies_over_another_on_long_and_narrow_walls(walls, wall, job):
    it = report.report_of(getattr(fs, job)(walls[wall]))
    with style.sheet_style():
        for page in pdf.pages(it, "mm", "a4"):
            if page.axes:
                assert list(overlaps(page)) == []


@pytest.mark.parametrize("command", ["survey", "check", "setout", "lows", "stations"])
def test_no_text_lies_over_another_on_any_drawing(build, build_stations, command):
    it = reported(build_stations() if command == "stations" else build(command, cell=0.05))
    with style.sheet_style():
        for drawing in it.shown_on("picture"):
            for size, units in (((11.69, 8.27), "in"), ((8.27, 11.69), "mm")):
                assert list(overlaps(draw(it, drawing, units, size=size))) == [], (drawing.name, units)


def test_the_set_out_carries_humps_fixed_points_and_openings(findings_for):
    laid = result_of(findings_for("setout", hacks=findings_for("survey").hacks, fixed=((1.2, 0.4, 0.012),)))
    it = report.report_of(laid)
    with style.sheet_style():
        figure = draw(it, it.drawings[0])
        said = {text.get_text() for text in figure.findobj(Text)}
        squares = [line for line in figure.axes[0].lines if line.get_marker() == "s"]
        assert list(overlaps(figure)) == []
    assert {"H1", "H2"} <= said
    assert any("opening" in text for text in said)
    assert [(float(one.get_xdata()[0]), float(one.get_ydata()[0])) for one in squares] == [(1.2, 0.4)]


def test_a_long_legend_stays_off_the_foot(findings_for):
    laid = findings_for("setout")
    long = tuple(note("plan.dots-between", count=n) for n in range(4))
    laid = dataclasses.replace(laid, set_out=dataclasses.replace(laid.set_out, notes=long))
    it = reported(laid)
    with style.sheet_style():
        for size in ((11.69, 8.27), (8.27, 11.69)):
            assert list(overlaps(draw(it, it.drawings[0], size=size))) == []


def test_marks_on_one_place_move_apart_and_point_to_it(check):
    """Nine spots on one place: all are there, none over another, and each that moved has a leader to the place."""
    it = reported(check)
    contour = next(drawing for drawing in it.drawings if drawing.name == "contour")
    crowd = tuple(Spot(f"H{n}", 2.0, 0.6, 0.004, note("drawing.proud")) for n in range(1, 10))
    with style.sheet_style():
        figure = draw(it, dataclasses.replace(contour, spots=crowd))
        assert list(overlaps(figure)) == []
        axes = figure.axes[0]
        marks = [text for text in axes.texts if text.get_gid() == apart.MARK and text.get_text().startswith("H")]
        assert {text.get_text() for text in marks} == {spot.mark for spot in crowd}
        leaders = [line for line in axes.lines if len(line.get_xdata()) == 2 and line.get_linewidth() == 0.8]
        for line in leaders:
            np.testing.assert_allclose((line.get_xdata()[0], line.get_ydata()[0]), (2.0, 0.6), atol=1e-9)
        assert len(leaders) == 8
