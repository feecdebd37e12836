"""Column tables with units in their header: layouts people really save, and damage."""

import pytest
from numpy.testing import assert_allclose

from flatscan.core.columns import read_columns
from flatscan.core.errors import BadTable


def write(tmp_path, text, *, encoding="utf-8"):
    path = tmp_path / "table.csv"
    path.write_bytes(text.encode(encoding))
    return path


def test_units_words_and_unknown_columns(tmp_path):
    path = write(tmp_path, "Name, X_m ,depth_mm,remark\nbox,1.5,12,old\nsill,2,0.5\n")
    box, sill = read_columns(path, lengths=("x", "depth"), words=("name",))
    assert (box.number, box.words, sill.words["name"]) == (2, {"name": "box"}, "sill")
    assert_allclose([box.lengths["x"], box.lengths["depth"], sill.lengths["depth"]], [1.5, 0.012, 0.0005])


def test_spreadsheets_with_semicolons_decimal_commas_and_a_mark(tmp_path):
    path = write(tmp_path, "\ufeffx_cm;depth_in\r\n# a remark\r\n\r\n1,5;0,25\r\n")
    (row,) = read_columns(path, lengths=("x", "depth"))
    assert row.number == 4
    assert_allclose([row.lengths["x"], row.lengths["depth"]], [0.015, 0.00635])


def test_optional_columns_may_be_empty_or_absent(tmp_path):
    path = write(tmp_path, "x_m,proud_mm\n1,\n2,3\n")
    first, second = read_columns(path, lengths=("x", "proud", "size"), optional=("proud", "size"))
    assert first.lengths == {"x": 1.0}
    assert second.lengths["proud"] == pytest.approx(0.003)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("x,depth_mm\n1,2\n", "no column for x; the header reads x, depth_mm"),
        ("x_m,depth_yd\n1,2\n", "no column for depth"),
        ("x_m,depth_mm\n1,1e999\n", "row 2, column depth_mm.*1e999"),
        ("x_m,depth_mm\n", "no rows under the header"),
        ("\n\n", "header reads nothing"),
        ("x_m,depth_mm\n1," + "9" * 200_000 + "\n", "row 2.*not CSV"),
    ],
)
def test_damaged_tables(tmp_path, text, says):
    with pytest.raises(BadTable, match=says):
        read_columns(write(tmp_path, text), lengths=("x", "depth"))


def test_not_text(tmp_path):
    with pytest.raises(BadTable, match="not text"):
        read_columns(write(tmp_path, "x_m\n1\n", encoding="utf-16"), lengths=("x",))
    with pytest.raises(BadTable, match="cannot be read"):
        read_columns(tmp_path, lengths=("x",))
