"""What is drawn is decided once: which drawings a job has, and the same bands and spots wherever one is shown."""

import numpy as np
import pytest
from matplotlib.text import Text
from results import drawings, figure_of, reported

from flatscan.core.notes import note
from flatscan.report import exchange
from flatscan.report.drawings import BandedDrawing, LowDrawing
from flatscan.report.figures import style
from flatscan.report.page import packing
from flatscan.report.say import say

SHOWN = {
    "survey": {
        "picture": ("contour", "gaps", "sections"),
        "paper": ("contour", "gaps", "sections"),
        "page": ("contour", "relief", "gaps"),
    },
    "check": {
        "picture": ("contour", "gaps", "sections"),
        "paper": ("contour", "gaps", "sections"),
        "page": ("contour", "gaps"),
    },
    "setout": {
        "picture": ("setout", "contour", "sections"),
        "paper": ("setout", "contour", "sections"),
        "page": ("contour", "relief"),
    },
    "lows": {
        "picture": ("lows", "contour", "gaps", "sections"),
        "paper": ("lows", "contour", "gaps", "sections"),
        "page": ("contour", "gaps"),
    },
}


@pytest.mark.parametrize("command", sorted(SHOWN))
def test_each_job_has_its_drawings_in_reading_order(build, command):
    found = build(command, cell=0.05)
    it = reported(found)
    for place, names in SHOWN[command].items():
        assert tuple(drawing.name for drawing in it.shown_on(place)) == names, place


def test_stations_have_a_contour_alone(stations):
    assert {name for name, it in drawings(stations).items() if it.places} == {"contour"}


@pytest.mark.parametrize("units", ["mm", "in"])
def test_the_page_has_the_bands_and_spots_of_the_picture_and_the_table(anything, units):
    it = reported(anything)
    layers = {layer["name"]: layer for layer in packing.pack(it, units)["layers"]}
    first = True
    for drawing in it.drawings:
        if not isinstance(drawing, BandedDrawing) or not drawing.places:
            continue
        words = [say(band.words, units) for band in drawing.bands(units)]
        layer = layers[drawing.shows]
        assert [band["words"] for band in layer["bands"]] == words
        marks, own = [spot["mark"] for spot in layer["spots"]], drawing.spots
        if first:
            # the worst place, and all there is to fill, stand on the first drawing, whatever that shows
            own = next((one.spots for one in it.drawings if isinstance(one, LowDrawing)), own)
            own = (*(spot for spot in it.spots if spot.mark == "G1" and spot not in drawing.spots), *own)
        assert marks == [spot.mark for spot in own]
        first = False
        assert {row[0] for row in drawing.table().texts(units)} <= set(words)
        if "picture" in drawing.places:
            with style.sheet_style():
                said = {text.get_text() for text in figure_of(anything, drawing.name, units).findobj(Text)}
            assert set(words) <= said


def test_values_are_those_that_were_measured(anything):
    for drawing in reported(anything).drawings:
        if isinstance(drawing, BandedDrawing):
            assert not np.isfinite(drawing.values[~drawing.on.relief.valid]).any()


def test_spots_are_numbered_once_for_every_format(anything):
    it = reported(anything)
    marks = [spot.mark for spot in it.spots]
    listed = [line.split(",")[0] for line in exchange.spots(it).splitlines()[1:]]
    assert [mark for mark in listed if mark != "!"] == marks
    drawn = [
        spot.mark
        for name in ("contour", "gaps")
        if name in drawings(anything)
        for spot in drawings(anything)[name].spots
    ]
    assert drawn == marks


def test_the_limit_stands_in_the_title_block_as_it_was_entered(check):
    (cell,) = [cell for cell in reported(check).cells if cell.head == note("drawing.head-limit")]
    assert say(cell.big) == "3 mm under 1.8 m"
    assert say(cell.small) == "resting; as entered"


def test_title_cells_say_what_each_job_is_opened_for(build):
    heads = {
        command: [say(cell.head) for cell in reported(build(command, cell=0.05)).cells]
        for command in ("survey", "check", "setout", "lows")
    }
    built = "BUILD-UP least / mean / most"
    assert heads == {
        "survey": ["WALL", built, "ORDER", "DO FIRST"],
        "check": ["WALL", "LIMIT", "DECISION"],
        "setout": ["WALL", built, "START AT"],
        "lows": ["WALL", "SHAVE FIRST", "FILL"],
    }
    survey = reported(build("survey", cell=0.05)).cells[1]
    assert say(survey.big, "in").count(" in") == 3
    assert say(survey.big).count("mm") == 1
