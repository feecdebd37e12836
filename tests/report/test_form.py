"""The blank form: walked in order, printed with its cautions first, and read back in by the laser-grid reader."""

import re

import numpy as np
import pytest
from pypdf import PdfReader

from flatscan import capture
from flatscan.core.errors import BadTable, BadValue, FlatscanError, OutputError
from flatscan.core.typed import parse_length
from flatscan.jobs.actions import laser_cautions
from flatscan.report import form
from flatscan.report.say import say, trouble


def test_stations_stand_where_the_trade_reads_them():
    # methods/trade 11: 100 mm in from edges, floor, waist, head, ceiling
    places = form.stations(form.Blank(4.2, 2.7))
    assert sorted({y for _, y in places}) == [0.1, 1.0, 1.8, 2.6]
    across = sorted({x for x, _ in places})
    assert (across[0], across[-1]) == (0.1, 4.1)
    assert max(np.diff(across)) <= 1.2
    # the walk never crosses the wall: one step along or one step up at a time
    steps = np.abs(np.diff(places, axis=0))
    assert ((steps > 0).sum(axis=1) == 1).all()


@pytest.mark.parametrize(("width", "height"), [(0.4, 0.4), (1.0, 2.4), (12.0, 6.0), (30.0, 2.4)])
def test_any_wall_has_stations_inside_and_none_twice(width, height):
    places = form.stations(form.Blank(width, height))
    assert len(set(places)) == len(places)
    assert all(0 < x < width and 0 < y < height for x, y in places)


@pytest.mark.parametrize(
    ("given", "said", "in_inches"),
    [
        (
            {"width": 4000},
            "width: 4000 m; needed: a wall of 0.4 m to 30 m.",
            "--width: 13123 ft 4 5/16 in; needed: a wall of 1 ft 3 3/4 in to 98 ft 5 1/8 in.",
        ),
        (
            {"height": 0.01},
            "height: 0.01 m; needed: a wall of 0.4 m",
            "--height: 3/8 in; needed: a wall of 1 ft 3 3/4 in",
        ),
        ({"spacing": 0.0}, "spacing: 0 m; needed: 0.1 m to 30 m.", "--spacing: 0 in; needed: 3 15/16 in to "),
        (
            {"width": 30, "spacing": 0.1},
            "spacing: 0.1 m makes 1,196 stations; needed: at most 200",
            "--spacing: 3 15/16 in makes 1,196 stations; needed: at most 200",
        ),
    ],
)
def test_walls_that_make_no_sense_are_refused_in_the_readers_units_and_names(given, said, in_inches):
    with pytest.raises(BadValue) as refused:
        form.Blank(**given)
    assert str(refused.value).startswith(said)
    assert trouble(refused.value, "in").startswith(in_inches)


def test_the_filled_template_reads_back(tmp_path):
    blank = form.Blank(4.2, 2.7, title="North, bedroom")
    places = form.stations(blank)
    lines = form.template(blank).replace("control, -, -", "control, 80, 80.5").splitlines()
    first = lines.index("x, y, reading") + 1
    readings = [80 + 0.5 * k for k in range(len(places))]
    lines[first:] = [line.replace("-", f"{r:g}") for line, r in zip(lines[first:], readings, strict=True)]
    # a hunted high spot is simply added below
    path = tmp_path / "readings.csv"
    path.write_text("\n".join([*lines, "2.55, 1.35, 71.5"]) + "\n")
    read = capture.read(path)
    np.testing.assert_allclose(read.x, [*(x for x, _ in places), 2.55])
    np.testing.assert_allclose(read.y, [*(y for _, y in places), 1.35])
    np.testing.assert_allclose(read.offset, [-r / 1000 for r in (*readings, 71.5)])
    assert (read.width, read.height) == (4.2, 2.7)
    assert read.name == "North bedroom"


def test_the_empty_template_is_refused_and_not_taken_for_zeros(tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text(form.template(form.Blank()))
    with pytest.raises(FlatscanError) as caught:
        capture.read(path)
    assert isinstance(caught.value, (BadTable, FlatscanError))
    assert "readings.csv" in str(caught.value)


@pytest.fixture(scope="module")
def printed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("form")
    form.write(folder, form.Blank(4.2, 2.7, title="North bedroom"), paper="letter")
    return [" ".join(page.extract_text().split()) for page in PdfReader(folder / "form.pdf").pages]


def test_the_form_says_which_way_readings_run_and_what_to_mind(printed):
    assert "BIG = HOLLOW" in printed[0]
    for page, first in ((printed[0], "Walk the numbers in order"), (printed[1], "Control: number 1")):
        for caution in laser_cautions():
            assert page.count(say(caution)) == 1
            assert page.index(say(caution)) < page.index(first)
    said = " ".join(printed)
    for part in (
        "Control: number 1 read first",
        "number 1 read again last",
        "High spots found",
        "Linings and beads",
        "damp or salts",
        "cracks; do they move?",
        "(3 mm at 5 m)",
        "does not see bond and hollowness",
    ):
        assert part in said, part
    assert f"page 2 of {len(printed)}" in said


def test_every_length_of_the_form_is_in_the_units_asked_for(tmp_path):
    form.write(tmp_path, units="in")
    pages = PdfReader(tmp_path / "form.pdf").pages
    said = " ".join(" ".join(page.extract_text() for page in pages).split())
    # 0.6 mm per m is 0.07 in in 10 ft and 0.14 in at 20 ft (exact inch of 25.4 mm), to a sixteenth as on a tape
    assert "apart by no more than 1/16 in in 10 ft (1/8 in at 20 ft 0 in)" in said
    assert "more than 1/16 in apart means that the laser moved" in said
    assert "to 0.020 in." in said
    assert "Reading = laser to wall, typed in inches: a bigger" in said
    assert not re.search(r"\d ?m?m\b", said)


def test_a_form_in_inches_is_typed_in_inches_at_whole_ones(tmp_path):
    """13 ft 9 in is 165 in: columns at 4 and 161 in and between; readings and openings as a tape shows them."""
    blank = form.Blank(parse_length("13' 9\""), parse_length("8ft6in"), title="North")
    _, path = form.write(tmp_path, blank, units="in")
    text = path.read_text()
    assert text.startswith("units, in\n")
    assert "width, 13 ft 9 in\nheight, 8 ft 6 in\n" in text
    assert "\n4 in, 4 in, -\n" in text
    assert "\n13 ft 5 in, 4 in, -\n" in text
    text = text.replace("opening, -, -, -, -", "opening, 4' 7\", 2ft11in, 8 ft 6 1/2 in, 6' 10 3/4\"")
    text = text.replace("fixed, -, -, -", "fixed, 4' 7\", 35 in, 4 1/8")
    path.write_text(text.replace("4 in, 4 in, -", "4 in, 4 in, 5 7/8"))
    read = capture.read(path)
    inch = 0.0254
    np.testing.assert_allclose([read.x[0], read.y[0], read.offset[0]], [4 * inch, 4 * inch, -5.875 * inch])
    np.testing.assert_allclose([read.width, read.height], [165 * inch, 102 * inch])
    np.testing.assert_allclose(read.openings, [np.array([55, 35, 102.5, 82.75]) * inch])
    np.testing.assert_allclose(read.fixed, [np.array([55, 35, -4.125]) * inch])


def test_the_form_has_lines_for_openings_chases_fixed_points_and_what_is_not_plastered(printed):
    said = " ".join(printed)
    for part in ("Openings: door, window", "Chases: filled first", "Not to be plastered", "O1", "P1", "N1"):
        assert part in said, part
    lines = form.template(form.Blank()).splitlines()
    for word, count in (("opening", 4), ("pocket", 4), ("skip", 4), ("fixed", 3), ("high", 3)):
        assert f"{word}, {', '.join('-' * count)}" in lines


def test_every_station_is_listed_in_its_order(printed):
    said = " ".join(printed[1:])
    places = form.stations(form.Blank(4.2, 2.7))
    at = [said.index(f"{k} {x * 1000:.0f} {y * 1000:.0f} ") for k, (x, y) in enumerate(places, 1)]
    assert at == sorted(at)


def test_inches_and_no_overwriting(tmp_path):
    written = form.write(tmp_path, units="in")
    assert [path.name for path in written] == ["form.pdf", "readings.csv"]
    assert "7 ft 10 1/2 in" in PdfReader(written[0]).pages[0].extract_text()
    before = written[0].read_bytes()
    with pytest.raises(OutputError, match="give overwrite"):
        form.write(tmp_path, units="in")
    form.write(tmp_path, units="in", overwrite=True)
    assert written[0].read_bytes() == before


def test_other_paper_leaves_nothing(tmp_path):
    with pytest.raises(BadValue, match="paper: 'a3'; needed: a4 or letter"):
        form.write(tmp_path / "out", paper="a3")
    assert list(tmp_path.iterdir()) == []
