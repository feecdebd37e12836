"""A restricted test says so wherever its decision is printed; what somebody drew looks otherwise than finds."""

import dataclasses

import numpy as np
import pytest
from matplotlib.patches import Polygon, Rectangle
from matplotlib.text import Text
from results import figure_of, reported, result_of

from flatscan.core.model import Opening
from flatscan.core.notes import note
from flatscan.jobs import Capturing
from flatscan.report import document, explain, summary
from flatscan.report.figures import style
from flatscan.report.page import packing, page
from flatscan.report.paper import record
from flatscan.report.say import say

BY = note("verdict.few-directions", directions=1, usual=12)


@pytest.fixture
def restricted(check):
    return dataclasses.replace(check, verdict=dataclasses.replace(check.verdict, restricted=(BY,)))


def words_of(pages):
    return " ".join(text.get_text() for sheet in pages for text in sheet.findobj(Text)).replace("\n", " ")


def test_every_rendering_says_that_the_test_was_restricted(restricted):
    it = reported(restricted)
    with style.sheet_style():
        paper = words_of(record.record(it, "mm", "a4"))
        drawn = words_of([figure_of(restricted, "contour")])
    for where in (summary(it), page(it), paper, drawn):
        assert "restricted test" in where
    assert say(BY) in summary(it).replace("\n  ", " ")
    assert say(BY) in paper
    told = document(it)["verdict"]
    assert told["restricted"] == [say(BY)]
    # keys stay what they are
    assert {one["decision"] for one in told["criteria"]} <= {"within", "outside", "undecided"}


def test_plain_words_name_what_restricted_the_test(restricted):
    said = explain(result_of(restricted)).replace("\n", " ")
    assert said.count("restricted") >= 3


def test_a_test_at_full_strength_says_nothing_of_it(check):
    assert "restricted" not in summary(reported(check))


def wall_with(check, **more):
    """The check's wall with an opening that was found and one that somebody drew."""
    holes = (Opening(0.4, 0.3, 0.5, 0.5, note("wall.reveal", sides="left")), Opening(1.4, 0.9, 1.0, 1.1))
    return dataclasses.replace(check, wall=dataclasses.replace(check.wall, openings=holes), **more)


def test_an_opening_that_somebody_drew_has_a_line_and_a_word_of_its_own(check):
    found = wall_with(check)
    with style.sheet_style():
        figure = figure_of(found, "contour")
    holes = {
        (round(it.get_x(), 2), round(it.get_y(), 2)): it.get_linestyle()
        for it in figure.axes[0].patches
        if isinstance(it, Rectangle)
    }
    assert holes[0.4, 0.3] in ("-", "solid")
    assert holes[1.4, 0.9] not in ("-", "solid")
    said = words_of([figure])
    assert "dashed: opening drawn by hand" in said
    assert "opening (by hand)" in said
    packed = packing.pack(reported(found), "mm")["openings"]
    assert [hole["given"] for hole in packed] == [False, True]
    assert "Dashed: opening drawn by hand." in page(reported(found))


def test_a_region_keeps_its_place_on_the_wall_and_has_a_line_of_its_own(check):
    """1 m to 3 m along, 0.5 m to 2 m up: drawn there, dash-dotted, with every measured cell inside the drawing."""
    wall = dataclasses.replace(check.wall, outline=np.array([[1.0, 0.5], [3.0, 0.5], [3.0, 2.0], [1.0, 2.0]]))
    whole = result_of(dataclasses.replace(check, wall=wall))
    seen = dataclasses.replace(whole.seen, how=Capturing(region=(1.0, 0.5, 3.0, 2.0)))
    found = dataclasses.replace(whole, seen=seen)
    with style.sheet_style():
        figure = figure_of(found, "contour")
    axes = figure.axes[0]
    assert (axes.get_xlim(), axes.get_ylim()) == ((0.0, 3.0), (0.0, 2.0))
    [edge] = [it for it in axes.patches if isinstance(it, Polygon) and not it.get_fill()]
    assert edge.get_linestyle() not in ("-", "solid", "--", "dashed")
    assert "dash-dot: edge of a region drawn by hand" in words_of([figure])
    packed = packing.pack(reported(found), "mm")
    assert packed["region"]
    assert (packed["width"], packed["height"]) == (3.0, 2.0)
