import dataclasses
import errno
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from results import reported, write

from flatscan import report
from flatscan.core.errors import BadValue, OutputError
from flatscan.report import exchange
from flatscan.report import folder as writing

CORE = ("png", "csv", "json")


@pytest.fixture
def small(findings_for):
    """A coarse wall: quick to draw."""
    return findings_for("check", cell=0.05)


def test_the_document_lists_what_was_written(small, tmp_path):
    written = write(small, tmp_path / "out", formats=CORE)
    assert {path.name for path in (tmp_path / "out").iterdir()} == {".flatscan.json", *(path.name for path in written)}
    made = json.loads((tmp_path / "out" / "check-result.json").read_text(encoding="utf-8"))
    assert made["files"] == [path.name for path in written]
    assert {"check-contour.png", "check-gaps.png", "check-offsets.csv", "check-result.json"} <= set(made["files"])


def test_the_same_findings_give_the_same_bytes(small, tmp_path):
    quick = tuple(name for name in report.FORMATS if name != "pdf")
    first = write(small, tmp_path / "a", formats=quick)
    again = write(small, tmp_path / "b", formats=quick)
    assert [p.read_bytes() for p in first] == [p.read_bytes() for p in again]


def test_sheets_that_stand_there_are_kept(small, tmp_path):
    write(small, tmp_path / "out", formats=("json",))
    (tmp_path / "out" / "check-result.json").write_text("mine")
    with pytest.raises(OutputError, match="changed since"):
        write(small, tmp_path / "out", formats=("json", "csv"))
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == [".flatscan.json", "check-result.json"]
    assert (tmp_path / "out" / "check-result.json").read_text() == "mine"
    write(small, tmp_path / "out", formats=("json",), overwrite=True)
    assert (tmp_path / "out" / "check-result.json").read_text() != "mine"


def test_other_files_in_the_folder_are_left_alone(small, tmp_path):
    (tmp_path / "notes.txt").write_text("mine")
    write(small, tmp_path, formats=("json",))
    assert sorted(p.name for p in tmp_path.iterdir()) == [".flatscan.json", "check-result.json", "notes.txt"]


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EACCES, errno.EROFS])
def test_a_failed_run_leaves_nothing(small, tmp_path, monkeypatch, code):
    def fails(findings, units, path):
        path.write_text("half a she")
        raise OSError(code, os.strerror(code))

    monkeypatch.setitem(writing._MAKERS, "csv", lambda *_: [("offsets.csv", fails)])
    with pytest.raises(OutputError, match=r"cannot be written \(" + os.strerror(code).lower()):
        write(small, tmp_path / "deep" / "out", formats=("csv", "json"))
    assert list(tmp_path.iterdir()) == []


def test_a_sheet_that_cannot_be_drawn_leaves_nothing(findings_for, tmp_path):
    whole = findings_for("check", cell=0.05)
    blind = findings_for("check", cell=0.05, relief=_nothing_measured(whole.relief))
    with pytest.raises(OutputError, match="no measured cell"):
        write(blind, tmp_path / "out", formats=CORE)
    assert list(tmp_path.iterdir()) == []


def _nothing_measured(relief):
    return dataclasses.replace(relief, offset=np.full(relief.offset.shape, np.nan))


def test_a_file_where_the_folder_should_be(small, tmp_path):
    (tmp_path / "out").write_text("a file")
    with pytest.raises(OutputError, match="a file of that name"):
        write(small, tmp_path / "out")
    with pytest.raises(OutputError, match="cannot be written"):
        write(small, tmp_path / "out" / "deeper")
    assert (tmp_path / "out").read_text() == "a file"


def test_a_folder_with_a_sheets_name_is_never_replaced(small, tmp_path):
    (tmp_path / "check-result.json").mkdir()
    with pytest.raises(OutputError, match="a folder of that name"):
        write(small, tmp_path, overwrite=True, formats=("json",))


@pytest.mark.skipif(os.name != "posix" or not Path("/proc/self").is_dir(), reason="needs a folder nobody may write")
def test_a_folder_nobody_may_write(small):
    with pytest.raises(OutputError, match="cannot be written"):
        write(small, "/proc/flatscan-out", formats=("json",))


def test_unknown_formats_and_units_are_refused(small, tmp_path):
    with pytest.raises(BadValue, match="'docx'"):
        write(small, tmp_path / "out", formats=("docx",))
    with pytest.raises(BadValue, match="'a5'"):
        write(small, tmp_path / "out", paper="a5")
    with pytest.raises(BadValue, match="'ft'"):
        write(small, tmp_path / "out", units="ft")
    assert list(tmp_path.iterdir()) == []


def test_sheets_import_without_drawing_libraries():
    heavy = "{'matplotlib', 'ezdxf', 'jinja2', 'open3d', 'cv2'}"
    code = f"import sys, flatscan.report; sys.exit(bool({heavy} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_csv_of_cells_reads_back(small, tmp_path):
    write(small, tmp_path / "out", formats=("csv",))
    read = np.genfromtxt(tmp_path / "out" / "check-offsets.csv", delimiter=",", names=True)
    relief = small.relief
    assert read.dtype.names == ("x_mm", "y_mm", "offset_mm", "u_mm", "buildup_mm", "gap_mm")
    assert len(read) == relief.inside.sum()
    # rounded to 0.001 mm
    np.testing.assert_allclose(read["offset_mm"], relief.offset[relief.inside] * 1000, rtol=0, atol=0.00051)
    np.testing.assert_allclose(read["x_mm"], relief.places[0][relief.inside] * 1000, rtol=0, atol=0.00051)
    assert np.isnan(read["buildup_mm"]).all()
    assert np.isnan(read["offset_mm"]).sum() == (relief.inside & ~relief.valid).sum()


def test_csv_keeps_large_numbers_whole(findings_for):
    wide = findings_for("check", cell=0.05)
    far = dataclasses.replace(wide, relief=dataclasses.replace(wide.relief, x=wide.relief.x + 1234.5))
    assert exchange.offsets(reported(far)).splitlines()[1].startswith("1234525,25,")
