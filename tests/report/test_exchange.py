"""CSV, DXF and PLY, read back by the libraries other people read them with."""

import dataclasses
import sys

import numpy as np
import pytest
from results import document, reported, write

from flatscan import report
from flatscan.core.errors import OutputError
from flatscan.report import exchange
from flatscan.report.parts import in_short
from flatscan.report.say import say


def test_spots_are_those_of_the_drawings(check):
    lines = exchange.spots(reported(check)).splitlines()
    assert lines[0] == "mark,x_mm,y_mm,value_mm,what,once_all_mm"
    assert lines[1] == "H1,800.0,1700.0,8.7,proud,"
    assert [line.split(",")[0] for line in lines[1:]] == ["H1", "H2", "L1", "G1", "G2"]
    assert all(line.count(",") == 5 for line in lines)


@pytest.fixture
def drawing(tmp_path):
    ezdxf = pytest.importorskip("ezdxf")

    def made(findings):
        written = write(findings, tmp_path / "out", formats=("dxf",), overwrite=True)
        return ezdxf.readfile(written[0])

    return made


def test_dxf_is_in_millimetres_on_named_layers(drawing, findings_for):
    laid = findings_for("setout")
    read = drawing(laid)
    assert read.header["$INSUNITS"] == 4  # millimetres (DXF reference, INSUNITS)
    assert not read.audit().errors
    space = read.modelspace()
    outline = space.query('LWPOLYLINE[layer=="OUTLINE"]').first
    assert [tuple(p) for p in outline.get_points("xy")] == [(0, 0), (4000, 0), (4000, 2400), (0, 2400)]
    opening = space.query('LWPOLYLINE[layer=="OPENINGS"]').first
    assert next(iter(opening.get_points("xy"))) == (1400, 900)
    assert len(space.query('LINE[layer=="SCREEDS"]')) == 4
    assert len(space.query('CIRCLE[layer=="DOTS"]')) == 12
    said = [text.dxf.text for text in space.query('TEXT[layer=="DOTS"]')]
    assert sum("START HERE" in text for text in said) == 1


def test_cautions_stand_first_in_a_drawing_for_other_programs(drawing, survey):
    said = [text.dxf.text for text in drawing(survey).modelspace().query("TEXT")]
    lines = [say(line) for line in in_short(reported(survey).cautions)]
    assert said[: len(lines)] == lines
    assert any(text.startswith("H1 cut") for text in said[len(lines) :])
    assert not any(said[len(lines) :].count(line) for line in lines)


def test_dxf_contours_run_along_their_level(drawing, check):
    # a plane of 4 mm per m up: the level line of 6 mm lies 1.5 m up, all along
    relief = dataclasses.replace(check.relief, inside=np.ones_like(check.relief.inside))
    tilt = 0.004 * relief.places[1]
    flat = dataclasses.replace(
        check,
        wall=dataclasses.replace(check.wall, openings=()),
        gaps=None,
        patches=(),
        relief=dataclasses.replace(relief, offset=tilt),
        shape=dataclasses.replace(check.shape, residual=tilt),
    )
    found = [c for c in drawing(flat).modelspace().query('LWPOLYLINE[layer=="CONTOURS"]') if c.dxf.elevation == 6]
    assert len(found) == 1
    points = np.array(found[0].get_points("xy"))
    np.testing.assert_allclose(points[:, 1], 1500, rtol=0, atol=0.5)
    assert np.ptp(points[:, 0]) > 3900


def test_dxf_is_the_same_bytes_again_and_takes_any_name(findings_for, tmp_path):
    pytest.importorskip("ezdxf")
    named = findings_for("check", cell=0.05, title="%%c ^ \n Wand \u6f22")
    first = write(named, tmp_path / "a", formats=("dxf",))
    again = write(named, tmp_path / "b", formats=("dxf",))
    assert first[0].read_bytes() == again[0].read_bytes()


def test_dxf_without_its_library_says_what_to_install(check, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "ezdxf", None)
    with pytest.raises(OutputError, match=r"flatscan\[dxf\]"):
        write(check, tmp_path / "out", formats=("dxf",))
    assert list(tmp_path.iterdir()) == []


def test_dxf_of_stations_has_no_contours(drawing, stations):
    assert not drawing(stations).modelspace().query('LWPOLYLINE[layer=="CONTOURS"]')


def read_ply(path):
    """A second reader: header by line, body by numpy."""
    head, body = path.read_bytes().split(b"end_header\n")
    counts = {
        line.split()[1]: int(line.split()[2]) for line in head.decode().splitlines() if line.startswith("element")
    }
    vertex = np.dtype([("p", "<f4", 3), ("rgb", "u1", 3), ("gap", "<f4")])
    face = np.dtype([("n", "u1"), ("v", "<i4", 3)])
    assert len(body) == counts["vertex"] * vertex.itemsize + counts["face"] * face.itemsize
    points = np.frombuffer(body, vertex, counts["vertex"])
    return points, np.frombuffer(body, face, counts["face"], offset=points.nbytes)


def test_ply_holds_the_measured_surface_facing_the_room(check, tmp_path):
    exchange.surface(reported(check), tmp_path / "wall.ply")
    points, faces = read_ply(tmp_path / "wall.ply")
    relief = check.relief
    assert len(points) == relief.valid.sum()
    np.testing.assert_allclose(points["p"][:, 2], relief.offset[relief.valid], rtol=1e-6, atol=1e-9)
    a, b, c = (points["p"][faces["v"][:, k]].astype(float) for k in range(3))
    normal = np.cross(b - a, c - a)
    assert (normal[:, 2] > 0).all()
    # two triangles of half a cell each: the area is that of the whole squares between centres
    assert normal[:, 2].sum() / 2 == pytest.approx(len(faces) * 0.01**2 / 2, rel=1e-4)
    np.testing.assert_allclose(points["gap"], check.gaps.deepest[relief.valid] * 1000, rtol=1e-6)


def test_ply_tones_follow_the_gap_and_not_the_rainbow(check, tmp_path):
    exchange.surface(reported(check), tmp_path / "wall.ply")
    points, _ = read_ply(tmp_path / "wall.ply")
    light = points["rgb"].astype(float) @ [0.2126, 0.7152, 0.0722]
    over, under = light[points["gap"] > 4.5], light[points["gap"] < 2.9]
    assert over.max() < under.min()


def test_ply_opens_in_open3d(check, tmp_path):
    open3d = pytest.importorskip("open3d", exc_type=ImportError)
    exchange.surface(reported(check), tmp_path / "wall.ply")
    mesh = open3d.io.read_triangle_mesh(str(tmp_path / "wall.ply"))
    points, faces = read_ply(tmp_path / "wall.ply")
    assert (len(mesh.vertices), len(mesh.triangles)) == (len(points), len(faces))
    assert mesh.has_vertex_colors()


def test_ply_of_stations_and_of_nothing(stations, tmp_path):
    exchange.surface(reported(stations), tmp_path / "wall.ply")
    points, faces = read_ply(tmp_path / "wall.ply")
    assert (len(points), len(faces)) == (19, 0)
    blind = dataclasses.replace(stations.relief, offset=np.full((4, 5), np.nan))
    with pytest.raises(OutputError, match="no measured cell"):
        exchange.surface(reported(dataclasses.replace(stations, relief=blind)), tmp_path / "wall.ply")


def test_every_format_together(findings_for, tmp_path):
    pytest.importorskip("ezdxf")
    written = write(findings_for("lows", cell=0.05), tmp_path / "out", formats=report.FORMATS, units="in")
    names = [path.name for path in written]
    assert {
        "lows-contour.png",
        "lows-gaps.png",
        "lows-sections.png",
        "lows-lows.png",
        "lows-sheets.pdf",
        "lows-wall.html",
        "lows-offsets.csv",
        "lows-spots.csv",
        "lows-wall.dxf",
        "lows-wall.ply",
    } <= set(names)
    assert names[-1] == "lows-result.json"
    assert all(path.stat().st_size > 0 for path in written)
    assert document(findings_for("lows"))["lows"][1]["litres"] == 0.92
