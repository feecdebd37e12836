"""Laser grid: the layout of the contract, entry checks of the trade, places of mistakes."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from flatscan import capture
from flatscan.capture.grid_head import head_lines
from flatscan.capture.offset_grid import FORMAT
from flatscan.core.errors import BadTable, BadValue, UnitsUnknown
from flatscan.core.warp import CommonError
from flatscan.relief.laser_stations import from_stations
from flatscan.report.say import say

HEAD = "units, mm\nsense, big = hollow\nwidth, 4 m\nheight, 2.7 m\ncontrol, 80, 80\n\n"


@pytest.fixture
def read(write):
    return lambda text, **options: capture.read(write("wall.csv", text), **options)


def sentences(stations):
    return [say(warning) for warning in stations.origin.warnings]


def said(stations, *words):
    return any(all(word in sentence for word in words) for sentence in sentences(stations))


def table(values, x=(0.1, 1.1, 2.1, 3.1), y=(2.6, 1.8, 0.9, 0.1), head=HEAD):
    rows = [", " + ", ".join(map(str, x))]
    rows += [f"{height}, " + ", ".join(map(str, row)) for height, row in zip(y, values, strict=True)]
    return head + "\n".join(rows) + "\n"


FLAT = [[80, 81, 80, 79], [79, 80, 81, 80], [80, 80, 79, 80], [81, 80, 80, 80]]


def test_the_contract_s_own_example(read, grid):
    stations = read(grid)
    assert_allclose(stations.x, [0.1, 1.1, 0.1, 1.1, 2.1])
    assert_allclose(stations.y, [2.6, 2.6, 0.1, 0.1, 0.1])
    # big = hollow: 80 mm from the laser is 80 mm behind it
    assert_allclose(stations.offset, [-0.080, -0.074, -0.080, -0.079, -0.081])
    assert (stations.width, stations.height, stations.u, stations.name) == (4.2, 2.7, 0.0006, "north bedroom")
    assert_allclose(stations.missing, [[2.1, 2.6]])
    assert stations.origin.file_unit == "mm"
    assert stations.origin.points == 5
    assert len(stations.origin.sha256) == 64


def test_big_is_proud_is_not_turned(read, grid):
    assert_allclose(read(grid.replace("hollow", "proud")).offset, -read(grid).offset)


@pytest.mark.parametrize(("unit", "factor"), [("mm", 1e-3), ("cm", 1e-2), ("in", 0.0254)])
def test_units_of_the_readings(read, unit, factor):
    text = table(FLAT).replace("units, mm", f"units, {unit}").replace("80, 80\n", "80, 80\n", 1)
    assert_allclose(read(text).offset, -factor * np.ravel(FLAT))


@pytest.mark.parametrize(("units", "reading"), [("mm", "1e9"), ("cm", "6000"), ("mm", "-51 m")])
def test_a_reading_that_is_no_distance_in_a_building_is_refused(read, units, reading):
    """One of 1e9 mm made a page of contours as large as a country: 23 GB and no end."""
    text = table(FLAT).replace("units, mm", f"units, {units}").replace(", 81,", f", {reading},", 1)
    assert reading in text
    with pytest.raises(BadTable, match="up to 50 m"):
        read(text)


def test_feet_are_no_unit_of_readings(read):
    with pytest.raises(BadTable, match="mm, cm or in"):
        read(table(FLAT).replace("units, mm", "units, ft"))


def test_inch_fractions_and_readings_with_their_own_unit(read):
    stations = read(HEAD.replace("mm", "in").replace("80, 80", "3, 3") + ", 0.1, 1.1\n1, 3 1/8, 80 mm\n")
    assert_allclose(stations.offset, [-3.125 * 0.0254, -0.080])


def test_long_form_and_table_give_the_same_stations(read):
    rows = [f"{x}, {y}, {v}" for y, row in zip((2.6, 1.8, 0.9, 0.1), FLAT, strict=True)
            for x, v in zip((0.1, 1.1, 2.1, 3.1), row, strict=True)]  # fmt: skip
    free, full = read(HEAD + "x, y, reading\n" + "\n".join(rows)), read(table(FLAT))
    assert_array_equal(free.x, full.x)
    assert_array_equal(free.y, full.y)
    assert_array_equal(free.offset, full.offset)


def test_rows_in_any_order_of_height(read):
    down, rising = read(table(FLAT)), read(table(FLAT[::-1], y=(0.1, 0.9, 1.8, 2.6)))
    order = np.lexsort((rising.x, -rising.y))
    assert_array_equal(rising.offset[order], down.offset)


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace("\n", "\r\n"),
        lambda text: "\ufeff" + text,
        lambda text: text.replace("\n\n", "\n"),  # no empty line
        lambda text: text.replace("\n\n", "\n,,,,\n"),  # an empty line as a spreadsheet saves it
        lambda text: text.replace("units, mm", "Units:, MM,,,"),
        lambda text: text.replace("north", "nørth"),
        lambda text: text.replace(",", ";"),
        lambda text: text.replace(",", ";").replace(".", ","),  # decimal comma
        lambda text: text.replace(",", "\t"),
        lambda text: text.rstrip("\n"),
        lambda text: "# a note\n" + text,
    ],
)
def test_what_editors_and_spreadsheets_make_of_it(write, read, grid, change):
    expected, got = read(grid), read(change(grid))
    assert_array_equal(got.offset, expected.offset)
    assert_array_equal(got.x, expected.x)
    assert got.origin.warnings == expected.origin.warnings


def test_text_in_an_older_windows_code_is_read(write, grid):
    path = write("wall.csv", grid.replace("north", "größe").encode("cp1252"))
    assert capture.read(path).name == "größe bedroom"


def test_uneven_stations_dashes_blanks_and_short_rows(read):
    stations = read(HEAD + ", 0.1, 0.73, 3.9\n2.6, 80, , 81\n1.1, -, 79\n0.1, 80, 79, 81\n")
    assert len(stations.x) == 6
    assert_allclose(stations.missing, [[0.73, 2.6], [0.1, 1.1], [3.9, 1.1]])
    assert said(stations, "3 of 9 stations were not read", "x 0.730 m, y 2.600 m", "x 3.900 m, y 1.100 m")


def test_a_table_cut_off_in_the_middle_of_a_row_is_said_and_not_taken_as_not_read(read):
    whole = table(FLAT)
    cut = read(whole[:-5])
    assert said(cut, "line 11, the last, ends after 3 of 4", "may be cut off")
    # a last row without a line end that is whole, and one whose blanks are written
    assert not said(read(whole[:-1]), "cut off")
    assert not said(read(whole.replace("81, 80, 80, 80\n", "81, 80, 80,\n")), "ends after")
    assert said(read(whole.replace("79, 80, 81, 80", "79, 80")), "line 9 ends after 2 of 4")
    assert said(read(HEAD + "x, y, reading\n0.1, 0.1, 80\n1.1, 0.1"), "may be cut off")


def test_control_moved_by_more_than_1_mm_warns_and_1_mm_does_not(read, grid):
    assert not said(read(grid.replace("80, 80.5", "80, 81")), "control")
    assert said(read(grid.replace("80, 80.5", "80, 81.5")), "80 mm first and 81.5 mm last", "1.5 mm", "laser moved")


def test_readings_that_cannot_be_the_unit_are_doubted(read):
    alone = HEAD.replace("control, 80, 80\n", "")
    in_cm = table([[v / 10 for v in row] for row in FLAT], head=alone)
    assert said(read(in_cm), "about 8 mm", "is mm their unit?")
    assert said(read(table([[v * 100 for v in row] for row in FLAT], head=alone)), "is mm their unit?")
    # stated once more by hand it is no longer doubted
    assert not said(read(in_cm, file_unit="mm"), "is mm their unit?")
    assert said(read(table([[-5, *FLAT[0][1:]], *FLAT[1:]])), "1 of 16 readings is negative")


def test_a_station_read_twice_is_said_and_its_mean_used(read):
    stations = read(HEAD + "x, y, reading\n0.1, 0.1, 80\n1.1, 0.1, 82\n0.1, 0.1, 83\n")
    assert said(stations, "station x 0.100 m, y 0.100 m was read 2 times (80 mm, 83 mm; 3.0 mm apart)")
    assert_allclose(stations.offset, [-0.0815, -0.082])


def test_what_the_file_leaves_out_is_said(read):
    stations = read("units, mm\n, 0.1, 1.1\n1.0, 80, 81\n2.0, 80, 81\n")
    for words in ("no line 'sense'", "no control reading"):
        assert said(stations, words)
    assert stations.width is None
    assert stations.height is None


def test_a_size_without_unit_is_metres_and_said(read, grid):
    stations = read(grid.replace("4.2 m", "4.2"))
    assert stations.width == 4.2
    assert said(stations, "width 4.2 has no unit: taken as metres")


def test_without_a_unit_the_readings_are_not_guessed(read, grid):
    text = grid.replace("units, mm\n", "")
    with pytest.raises(UnitsUnknown, match="80 mm or 80 cm"):
        read(text)
    assert_array_equal(read(text, file_unit="mm").offset, read(grid).offset)
    assert said(read(grid, file_unit="cm"), "--file-unit cm is not used")
    with pytest.raises(BadValue, match="'yard'"):
        read(text, file_unit="yard")


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        ("2.6, 80, 74, -", "2.6, 80, eighty, -", "line 9, column 3: 'eighty' where a reading should be"),
        ("2.6, 80, 74, -", "top, 80, 74, -", "line 9, column 1: 'top' where a station height"),
        ("2.6, 80, 74, -", "2.6, 80, nan, -", "line 9, column 3: 'nan'"),
        ("2.6, 80, 74, -", "2.6, 80, 1e999, -", "line 9, column 3: '1e999'"),
        ("2.6, 80, 74, -", "2.6, 80, 1/0, -", "line 9, column 3: '1/0'"),
        ("2.6, 80, 74, -", "2.6, 80, 74, 75, 76", "line 9: 4 readings for 3 positions"),
        (", 0.1, 1.1, 2.1", ", 0.1, left, 2.1", "line 8, column 3: 'left' where a position"),
        ("units, mm", "units, furlong", "units 'furlong'"),
        ("big = hollow", "large is deep", "sense 'large is deep'"),
        ("control, 80, 80.5", "control, 80", "control needs the first station's two readings, found 1"),
        ("control, 80, 80.5", "control, 80, x", "line 5, column 3: 'x'"),
        ("width, 4.2 m", "width, broad", "width 'broad'"),
        ("width, 4.2 m", "widht, 4.2 m", "line 3: begins with 'widht', which is no word of such a table"),
        ("width, 4.2 m", "widht, 4.2 m", "needed: one of units, sense, width, height, control, opening, pocket, skip"),
        ("width, 4.2 m", "width, 4.2 m\nopening, 1, 1, 2", "opening with 3 cells behind it"),
        ("width, 4.2 m", "width, 4.2 m\nopening, 1, -, 2, 2", "opening with 4 cells behind it"),
        ("width, 4.2 m", "width, 4.2 m\npocket, 1, 1, 1, 2", "pocket from x 1.000 m, y 1.000 m to x 1.000 m"),
        ("width, 4.2 m", "width, 4.2 m\nskip, 5, 1, 6, 2", "skip at x 5.000 m, y 1.000 m lies outside the wall"),
        ("width, 4.2 m", "width, 4.2 m\nfixed, 5, 1, 80", "fixed at x 5.000 m, y 1.000 m lies outside the wall"),
        ("width, 4.2 m", "width, 4.2 m\nfixed, 1, 1, eighty", "'eighty' where a reading"),
        ("width, 4.2 m", "width, 4.2 m\nwidth, 4.3 m", "says 'width' a second time"),
        ("width, 4.2 m", "width, 2.0 m", "station x 2.100 m, y 0.100 m lies outside the wall"),
        (", 0.1, 1.1, 2.1", "0.0, 0.1, 1.1, 2.1", "line 8: begins with the number 0.0"),
        ("\n, 0.1, 1.1, 2.1\n2.6, 80, 74, -\n0.1, 80, 79, 81", "", "no table"),
    ],
)
def test_mistakes_are_named_with_line_and_column(read, grid, old, new, found):
    assert old in grid
    with pytest.raises(BadTable, match=found.replace("(", r"\(")):
        read(grid.replace(old, new))


def test_no_readable_station_is_an_error(read):
    with pytest.raises(BadTable, match="no station was read"):
        read(table([["-"] * 4] * 4))


@pytest.mark.parametrize("width", ["4200 m", "4200", "4 mm"])
def test_a_wall_4200_m_or_4_mm_wide_is_an_error(read, grid, width):
    with pytest.raises(UnitsUnknown, match="a wall with a width of"):
        read(grid.replace("4.2 m", width))


def test_positions_typed_in_millimetres_are_an_error(read):
    with pytest.raises(UnitsUnknown, match="width of 3100 m"):
        read(table(FLAT, x=(100, 1100, 2100, 3100), head="units, mm\n\n"))


@pytest.mark.parametrize("u", [0, -1, float("nan"), 1.0])
def test_an_uncertainty_that_makes_no_sense_is_refused(read, grid, u):
    with pytest.raises(BadValue, match="reading u"):
        read(grid, reading_u=u)


def test_one_station_is_read(read):
    assert len(read(HEAD + "x, y, reading\n1, 1, 80\n").x) == 1


def test_broken_quotes_and_binary_rubbish_are_refused(write):
    with pytest.raises(BadTable, match="cannot be read as a table row"):
        capture.read(write("a.csv", 'units, mm\n"open\n, 0.1'))


@pytest.mark.parametrize(
    ("head", "known"),
    [
        ('note, "dry, cold"\n"units", "mm"\n', True),
        ('note, "not closed\nunits, mm\n', True),
        ("# units, mm\nx, y, z\n1, 2, 3\n", False),
        ("sep=;\nunits; mm\n", True),
        ("x,y,reading\n0.1,0.1,80\n", True),
        (",0.1,1.2\n0.1,80,81\n", True),
        ("1.0, 2.0, 3.0\n", False),
        ("units\n1.0, 2.0, 3.0\n", False),
    ],
)
def test_a_grid_is_known_by_its_first_lines(head, known):
    assert FORMAT.mark(head.encode()) is known


def test_the_head_that_is_written_is_the_one_that_is_read(read):
    head = head_lines(3.65125, 2.4, ("wall, North",), unit="in", sense="big = proud")
    found = read("\n".join([*head, "0.1, 0.1, 3", "0.1, 2.3, 3 1/2"]) + "\n")
    assert (found.width, found.height, found.name) == (3.65125, 2.4, "North")
    assert_allclose(found.offset, [3 * 0.0254, 3.5 * 0.0254])


def test_a_form_whose_control_line_was_left_blank_is_read_and_said(read, grid):
    stations = read(grid.replace("control, 80, 80.5", "control, -, -").replace("north bedroom", "-"))
    assert said(stations, "no control reading")
    assert stations.name == ""


def test_swept_high_spots_count_as_stations_and_are_counted(read):
    """Two spots that a straightedge found between the stations, one in its own unit; the sense is the table's."""
    lines = "high, 1.55, 1.2 m, 72\nhigh:, 2600 mm, 0.4, 7.1 cm\n"
    stations = read(table(FLAT, head=HEAD.replace("control", lines + "control")))
    assert stations.highs == 2
    assert stations.origin.points == 18
    assert_allclose(
        np.stack([stations.x, stations.y, stations.offset])[:, -2:].T, [[1.55, 1.2, -0.072], [2.6, 0.4, -0.071]]
    )
    assert read(table(FLAT)).highs == 0
    _, relief, _ = from_stations(stations, CommonError(0.0), 0.0)
    assert relief.highs == 2
    assert_allclose(relief.offset[relief.valid].max(), -0.071)


def test_a_high_spot_left_blank_is_none_and_half_a_one_is_an_error(read):
    assert read(table(FLAT, head=HEAD.replace("control", "high, -, -, -\ncontrol"))).highs == 0
    with pytest.raises(BadTable, match=r"line 5.*high with 2 cells behind it; needed: high, x, y, reading"):
        read(table(FLAT, head=HEAD.replace("control", "high, 1.5, 72\ncontrol")))
    with pytest.raises(BadTable, match=r"line 5: high at x 9.000 m, y 1.200 m lies outside the wall"):
        read(table(FLAT, head=HEAD.replace("control", "high, 9, 1.2, 72\ncontrol")))


@pytest.mark.parametrize(
    ("unit", "typed", "words"),
    [
        ("mm", 0.1, "readings about 8 mm beside a control of 80 mm: the readings look typed in cm"),
        ("mm", 1 / 25.4, "the readings look typed in in"),
        ("cm", 10.0, "the readings look typed in mm"),
        ("mm", 10.0, "the control looks typed in cm"),
    ],
)
def test_a_whole_table_in_another_unit_than_its_control_is_an_error(read, unit, typed, words):
    """Readings of 80 beside a control of 80 in the table's own unit, typed in another one."""
    values = [[round(value * typed, 3) for value in row] for row in FLAT]
    with pytest.raises(UnitsUnknown, match=words):
        read(table(values, head=HEAD.replace("units, mm", f"units, {unit}")))


@pytest.mark.parametrize("factor", [0.3, 0.5, 2.0, 4.0])
def test_walls_as_uneven_as_they_come_are_in_their_own_unit(read, factor):
    """A wall four times as far from the laser in its middle as at the station read first is odd, and no other unit."""
    values = [[value * factor for value in row] for row in FLAT]
    assert len(read(table(values)).x) == 16


UPWARD = (0.1, 0.9, 1.8, 2.6)
LEANING = [[80, 81, 80, 79], [85, 86, 87, 86], [90, 90, 89, 90], [95, 94, 95, 96]]


@pytest.mark.parametrize("control", ["80, 80", "95, 95.5", "-, -"])
@pytest.mark.parametrize(("values", "heights"), [(LEANING, (2.6, 1.8, 0.9, 0.1)), (LEANING[::-1], UPWARD)])
def test_a_table_is_right_whichever_row_comes_first(read, values, heights, control):
    """The contract lets rows come in any order; our own form reads its number 1, the control, at the lower left."""
    stations = read(table(values, y=heights, head=HEAD.replace("80, 80", control)))
    assert not said(stations, "upside down")
    assert stations.control == (None if control == "-, -" else -float(control.split(",")[0]) / 1000)


def test_openings_chases_skips_and_fixed_points_of_the_head(read):
    """Any number of each, corners either way round, lengths as people write them, a remark behind; dashes are none."""
    more = (
        "opening, 1.4, 0.9, 2.6, 2.1, window\nopening:, 3 m, 0, 3800 mm, 2.05\npocket, 0.35, 0, 0.25, 2.6\n"
        "skip, 3.9, 0, 4, 2.7\nfixed, 1 m, 2' 6\", 7.5 cm, door lining\nfixed, 2, 1, 74\nopening, -, -, -, -\n"
    )
    stations = read(table(FLAT, head=HEAD.replace("control", more + "control")))
    assert_allclose(stations.openings, [(1.4, 0.9, 2.6, 2.1), (3.0, 0.0, 3.8, 2.05)])
    assert_allclose(stations.pockets, [(0.25, 0.0, 0.35, 2.6)])
    assert_allclose(stations.skips, [(3.9, 0.0, 4.0, 2.7)])
    # big = hollow: the face stands 75 mm behind the laser
    assert_allclose(stations.fixed, [(1.0, 30 * 0.0254, -0.075), (2.0, 1.0, -0.074)])
    proud = read(table(FLAT, head=HEAD.replace("hollow", "proud").replace("control", "fixed, 2, 1, 74\ncontrol")))
    assert_allclose(proud.fixed, [(2.0, 1.0, 0.074)])


def test_a_place_not_read_in_an_opening_is_not_missing(read):
    values = [list(row) for row in FLAT]
    values[1][1] = values[1][2] = "-"
    window = HEAD.replace("control", "opening, 1, 1.5, 2.2, 2.2\ncontrol")
    assert not said(read(table(values, head=window)), "not read")
    assert said(read(table(values)), "2 of 16 stations were not read")


def test_a_scan_in_the_form_of_readings_is_refused(read):
    """3,000 free places would be kept in a matrix of nine millions."""
    rows = "\n".join(f"{0.001 * k:.3f}, {0.0009 * k:.4f}, 80" for k in range(3000))
    with pytest.raises(BadTable, match=r"3,000 stations at 3,000 different x .*needed: readings taken by hand"):
        read("units, mm\nsense, big = hollow\n\nx, y, reading\n" + rows)
