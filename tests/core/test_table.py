"""The one reader of small tables: what spreadsheets save and people type, what is doubtful, what is damage."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from flatscan.core.errors import BadTable, FlatscanError, ReadError
from flatscan.core.table import Column, read_table
from flatscan.core.typed import decode, delimiter_of, parse_length, read_lines
from flatscan.report.say import say

DEPTH = (Column("x"), Column("depth"))
HAND = (Column("x", unit="m"), Column("direction", "angle", words={"up": 90.0}), Column("gap", signed=False))
ABOVE = ("units", "wall")


def write(tmp_path, text, *, encoding="utf-8"):
    path = tmp_path / "table.csv"
    path.write_bytes(text.encode(encoding))
    return path


def doubts(table):
    return [say(note) for note in table.notes]


def numbers(table, *names):
    return [[row.numbers[name] for name in names] for row in table.rows]


def test_units_words_and_unknown_columns(tmp_path):
    path = write(tmp_path, "Name, X_m ,depth_mm,remark\nbox,1.5,12,old\nsill,2,0.5\n")
    table = read_table(path, (*DEPTH, Column("name", "word")))
    assert [(row.line, row.words["name"]) for row in table.rows] == [(2, "box"), (3, "sill")]
    assert_allclose(numbers(table, "x", "depth"), [[1.5, 0.012], [2.0, 0.0005]])
    assert doubts(table) == ["columns not used: remark"]


def test_spreadsheets_with_semicolons_decimal_commas_and_a_mark(tmp_path):
    path = write(tmp_path, "\ufeffx_cm;depth_in\r\n# a remark\r\n\r\n1,5;0,25\r\n")
    table = read_table(path, DEPTH)
    assert table.rows[0].line == 4
    assert_allclose(numbers(table, "x", "depth"), [[0.015, 0.00635]])
    assert table.notes == ()


def test_optional_columns_may_be_empty_or_absent(tmp_path):
    columns = (Column("x"), Column("proud", optional=True), Column("size", optional=True))
    first, second = read_table(write(tmp_path, "x_m,proud_mm\n1,\n2,3\n"), columns).rows
    assert first.numbers == {"x": 1.0}
    assert second.numbers["proud"] == pytest.approx(0.003)


@pytest.mark.parametrize("title", ["x_mm", "x [mm]", "x (mm)", "X mm", " x[MM]", "x (millimetres)", "x_mm "])
def test_a_unit_stands_in_the_title(tmp_path, title):
    table = read_table(write(tmp_path, f"{title},depth_m\n1500,0\n"), DEPTH)
    assert_allclose(numbers(table, "x"), [[1.5]])


@pytest.mark.parametrize(
    ("encoding", "mark"),
    [
        ("utf-8", ""),
        ("utf-8", "\ufeff"),
        ("utf-16", ""),
        ("utf-16-le", "\ufeff"),
        ("utf-16-be", "\ufeff"),
        ("utf-16-le", ""),
        ("utf-16-be", ""),
    ],
)
@pytest.mark.parametrize("parted", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_letters_delimiters_and_line_ends(tmp_path, encoding, mark, parted, end):
    text = f"{mark}name,x_m,depth_mm\nTür,1,2\nÖffnung,3,4\n".replace(",", parted).replace("\n", end)
    table = read_table(write(tmp_path, text, encoding=encoding), (*DEPTH, Column("name", "word")))
    assert [row.words["name"] for row in table.rows] == ["Tür", "Öffnung"]
    assert_allclose(numbers(table, "x", "depth"), [[1, 0.002], [3, 0.004]])
    assert table.notes == ()


def test_older_letters_are_read_and_doubted(tmp_path):
    path = write(tmp_path, "name,x_m,depth_mm\nTür,1,2\n", encoding="cp1252")
    table = read_table(path, (*DEPTH, Column("name", "word")))
    assert table.rows[0].words["name"] == "Tür"
    assert doubts(table) == ["the file is no Unicode: its letters are read as Windows-1252"]


@pytest.mark.parametrize(
    ("text", "mark"),
    [
        ("x_m;y_m\n0,1;2,2\n", ";"),
        ("0,1;2,2\n0,3;2,1\n", ";"),
        ("0,1\t2,2\n0,3\t2,1\n", "\t"),
        ("wall,file\nnorth; old,a.csv\nsouth; old,b.csv\n", ","),
        ("x,\ty\n1,\t2\n", ","),
        ("# a; b; c\n\nx,y\n1,2\n", ","),
        ("one column\n", "\t"),
        ("", "\t"),
    ],
)
def test_what_parts_the_cells(text, mark):
    assert delimiter_of(text) == mark


def test_a_spreadsheet_may_name_what_parts_the_cells(tmp_path):
    table = read_table(write(tmp_path, "sep=;\r\nx_m;depth_mm\r\n1,5;2,25\r\n"), DEPTH)
    assert_allclose(numbers(table, "x", "depth"), [[1.5, 0.00225]])
    assert table.rows[0].line == 3


def test_cells_with_their_own_unit(tmp_path):
    text = 'x\tdepth_mm\n13\' 9"\t5 7/8 in\n4.2 m\t3\n4200 mm\t0,5 cm\n13ft9in\t1/8"\n'
    table = read_table(write(tmp_path, text), DEPTH)
    assert_allclose(numbers(table, "x", "depth"),
                    [[4.191, 0.149225], [4.2, 0.003], [4.2, 0.005], [4.191, 0.003175]])  # fmt: skip


def test_quoted_cells_hold_commas(tmp_path):
    table = read_table(
        write(tmp_path, 'name, x_m, depth_mm\n"box, old", "1,5", "2,25"\n'), (*DEPTH, Column("name", "word"))
    )
    assert table.rows[0].words["name"] == "box, old"
    assert_allclose(numbers(table, "x", "depth"), [[1.5, 0.00225]])


@pytest.mark.parametrize(
    ("text", "doubted"),
    [
        ('x_m,depth_mm\n"1,250",3\n', True),
        ("x_m\tdepth_mm\n1,250\t3\n", True),
        ("x_m\tdepth_mm\n1,250\t3,5\n", False),
        ("x_m;depth_mm\n1,250;3\n", False),
        ('x_m,depth_mm\n"0,250",3\n', False),
        ("x_m,depth_mm\n1.250,3\n", False),
    ],
)
def test_a_comma_that_may_part_thousands_is_doubted(tmp_path, text, doubted):
    table = read_table(write(tmp_path, text), DEPTH)
    assert table.rows[0].numbers["x"] in (1.25, 0.25)
    said = ["line 2: '1,250' is read with its comma as the decimal mark, not as thousands"]
    assert doubts(table) == (said if doubted else [])


def test_lines_above_the_table_and_words_for_angles(tmp_path):
    text = "Units:, mm\nwall, hall\n\nx, direction, gap\n1, UP, 2\n2, 45°, 3\n3, 12,5\n"
    path = write(tmp_path, text.replace("12,5", '"12,5 deg", 4 cm'))
    table = read_table(path, HAND, head=ABOVE)
    assert table.head["wall"].cell(1) == "hall"
    assert_allclose(numbers(table, "x", "direction", "gap"), [[1, 90, 0.002], [2, 45, 0.003], [3, 12.5, 0.04]])


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("x,depth_mm\n1,2\n", "no column for x; the header reads x, depth_mm; needed: the columns x_mm, depth_mm"),
        ("x_m,depth_yd\n1,2\n", "no column for depth"),
        ("x_m,depth_mm\n1,1e999\n", "line 2, column depth_mm: '1e999' is not a number"),
        ("x_m,depth_mm\n1,\n", "line 2, column depth_mm: '' is not a number"),
        ("x_m,depth_mm\n", "no rows under the header"),
        ("\n\n", "header reads nothing"),
        ("x_m,depth_mm\n1," + "9" * 200_000 + "\n", "line 2: cannot be read as a table row"),
        ("x,depth_mm\n1 m,2\n2,3\n", "line 3, column x: '2' has no unit; needed: one of m, mm"),
        ("x_m,depth_mm\n1,5,2\n", "line 2: 3 values; needed: at most 2, one for each column"),
        ("x_m,depth_mm,x_mm\n1,2,3\n", "line 1: the columns x_m, depth_mm, x_mm; needed: x once"),
        ('x_m,depth_mm\n"1,2\n', "cannot be read as a table row"),
        ("x_m,depth_mm\n1/0,2\n", "line 2, column x_m: '1/0' is not a number"),
        ("x_m,depth_mm\n" + "a" * 500 + ",2\n", "line 2, column x_m: 'a{40}' is not a number"),
    ],
)
def test_damaged_tables(tmp_path, text, says):
    with pytest.raises(BadTable, match=says):
        read_table(write(tmp_path, text), DEPTH)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("x, gap\n1, 2\n", "no header line; needed: a line 'x, direction, gap' above"),
        ("unit, mm\nx, direction, gap\n1, up, 2\n", "line 1: begins with 'unit'; needed: one of units, wall"),
        ("units, ell\nx, direction, gap\n1, up, 2\n", "line 1: units 'ell'"),
        ("units, mm\nunits, cm\nx, direction, gap\n1, up, 2\n", "line 2: says 'units' a second time"),
        ("x, direction, gap\n1, up, 2\n", "no column for gap.* or write a line 'units, mm' above it"),
        ("x, direction, gap_mm\n1, down, 2\n", "line 2, column direction: 'down' is not a number; needed: up or deg"),
        ("x, direction, gap_mm\n1, up, -2\n", "line 2, column gap_mm: '-2' is negative"),
    ],
)
def test_damaged_heads_and_angles(tmp_path, text, says):
    with pytest.raises(BadTable, match=says):
        read_table(write(tmp_path, text), HAND, head=ABOVE)


def test_strict_tables_know_every_column_and_fill_it(tmp_path):
    columns = (Column("wall", "word"), Column("file", "word"), Column("room", "word", optional=True))
    assert read_table(write(tmp_path, "file,wall,\na,b\n"), columns, strict=True).rows[0].words == {
        "file": "a",
        "wall": "b",
    }
    with pytest.raises(BadTable, match="line 1: the unknown column 'colour'; needed: any of wall, file, room"):
        read_table(write(tmp_path, "wall,file,colour\na,b,c\n"), columns, strict=True)
    with pytest.raises(BadTable, match="line 2: no file"):
        read_table(write(tmp_path, "wall,file\na,\n"), columns, strict=True)


@pytest.mark.parametrize("data", [b"\xff\xfe\x00", b"x_m\n\x00\x01\x02\n", b"\x89PNG\r\n\x1a\n\x00\x00"])
def test_what_is_no_text(tmp_path, data):
    path = tmp_path / "table.csv"
    path.write_bytes(data)
    with pytest.raises(BadTable, match="is not text"):
        read_table(path, DEPTH)


def test_tables_out_of_all_proportion(tmp_path):
    with pytest.raises(BadTable, match="line 1: 100,001 cells; needed: a table"):
        read_table(write(tmp_path, "1," * 100_000 + "1\n"), DEPTH)
    with pytest.raises(BadTable, match="over 20,000,000 bytes; needed: a small table"):
        read_table(write(tmp_path, "1\n" * 10_000_001), DEPTH)


def test_files_that_cannot_be_opened(tmp_path):
    for path in (tmp_path, tmp_path / "none.csv", "a\0b"):
        with pytest.raises(ReadError, match="cannot be read"):
            read_table(path, DEPTH)


def test_braces_in_names_and_cells_are_left_alone(tmp_path):
    path = tmp_path / "{line}{text}.csv"
    path.write_text("x_m,depth_mm\n{file},2\n")
    with pytest.raises(BadTable) as caught:
        read_table(path, DEPTH)
    assert str(caught.value).startswith(f"{path}, line 2, column x_m: '{{file}}' is not a number")


CELLS = st.one_of(
    st.sampled_from(["x_m", "depth (mm)", "units", "mm", "13' 9\"", "5 7/8", "1,250", "-", '"', "#", "1e999", "up"]),
    st.floats().map(str),
    st.text(max_size=12),
)
TABLES = st.one_of(
    st.lists(st.lists(CELLS, max_size=5).map(",".join), max_size=6).map("\n".join).map(str.encode),
    st.lists(st.lists(CELLS, max_size=5).map(";".join), max_size=6).map("\n".join).map(lambda s: s.encode("utf-16")),
    st.binary(max_size=200),
)


@settings(
    max_examples=400,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(data=TABLES, above=st.booleans())
def test_any_file_is_read_or_refused_in_words(tmp_path, data, above):
    path = tmp_path / "any.csv"
    path.write_bytes(data)
    try:
        table = read_table(path, HAND if above else DEPTH, head=ABOVE if above else None)
    except FlatscanError as refused:
        assert str(path) in str(refused)  # noqa: PT017
    else:
        assert all(abs(value) < float("inf") for row in table.rows for value in row.numbers.values())
        assert all(doubts(table))


@settings(
    max_examples=200,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    rows=st.lists(st.tuples(st.integers(-99999, 99999), st.integers(0, 9999)), min_size=1, max_size=6),
    parted=st.sampled_from([";", "\t"]),
    comma=st.booleans(),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
)
def test_numbers_come_back_whatever_saved_them(tmp_path, rows, parted, comma, encoding):
    text = "\n".join([f"x_mm{parted}depth_mm", *(f"{x / 100}{parted}{depth / 100}" for x, depth in rows)])
    path = write(tmp_path, text.replace(".", ",") if comma else text, encoding=encoding)
    assert_allclose(numbers(read_table(path, DEPTH), "x", "depth"), [[x / 1e5, d / 1e5] for x, d in rows], atol=1e-15)


def test_lines_keep_their_numbers(tmp_path):
    typed = read_lines(write(tmp_path, '\n# remark\na,"b\nc",,\n\nd\n'))
    assert [(line.number, line.cells) for line in typed.lines] == [(4, ("a", "b\nc")), (6, ("d",))]


def test_decode_never_fails():
    assert decode(b"") == ("", "utf-8")
    assert decode(b"\x81") == ("\ufffd", "cp1252")


def test_a_length_in_a_cell_is_a_length_anywhere(tmp_path):
    for text in ("4.2 m", "4200 mm", "13ft9in", "13' 9\"", "5 7/8 in"):
        quoted = text.replace('"', '""')
        table = read_table(write(tmp_path, f'x,depth_mm\n"{quoted}",1\n'), DEPTH)
        assert table.rows[0].numbers["x"] == parse_length(text)
