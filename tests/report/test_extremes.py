"""Walls at the edge of what there is: one row, one cell, one station, nothing under a straightedge, very uneven."""

import dataclasses

import numpy as np
import pytest
from results import summary, write

from flatscan import report
from flatscan.core.reliefs import Grid

EVERY = tuple(name for name in report.FORMATS if name != "dxf")


def on_cells(findings, offset, cell=0.05):
    """Findings on another grid of cells, nothing else known of them."""
    rows, cols = offset.shape
    relief = Grid(
        x=(np.arange(cols) + 0.5) * cell,
        y=(np.arange(rows) + 0.5) * cell,
        offset=offset,
        u=np.full(offset.shape, 2e-4),
        count=np.ones(offset.shape, int),
        inside=np.ones(offset.shape, bool),
        area=np.full(offset.shape, cell**2),
        cell=cell,
        common=findings.relief.common,
    )
    corners = np.array([[0, 0], [cols, 0], [cols, rows], [0, rows]]) * cell
    wall = dataclasses.replace(findings.wall, outline=corners, openings=())
    shape = dataclasses.replace(findings.shape, residual=offset)
    gaps = dataclasses.replace(
        findings.gaps, worst=None, balanced=None, deepest=np.full(offset.shape, np.nan), worst_places=()
    )
    return dataclasses.replace(findings, relief=relief, wall=wall, shape=shape, gaps=gaps, patches=(), verdict=None)


@pytest.fixture
def written(findings_for, tmp_path):
    def made(offset, units="mm"):
        findings = on_cells(findings_for("check", cell=0.05), offset)
        made = write(findings, tmp_path / "out", formats=EVERY, units=units)
        return {path.name.removeprefix("check-") for path in made}

    return made


def test_a_laser_line_of_one_row(written):
    offset = 0.003 * np.sin(np.arange(80) / 9)[None, :]
    assert {"contour.png", "sections.png", "sheets.pdf", "wall.html", "wall.ply"} <= written(offset)


def test_one_measured_cell(written):
    offset = np.full((48, 80), np.nan)
    offset[20, 30] = 0.002
    names = written(offset)
    assert "contour.png" in names
    assert not {"gaps.png", "sections.png"} & names


def test_a_single_cell_is_a_wall(written):
    assert "sheets.pdf" in written(np.array([[0.001]]))


def test_a_perfectly_flat_wall(written):
    assert "contour.png" in written(np.zeros((48, 80)), "in")


def test_a_wall_a_quarter_metre_out(written):
    across = np.arange(80) / 80
    assert "contour.png" in written(0.25 * across[None, :] * np.ones((48, 1)))


def test_one_station(stations_for, tmp_path):
    alone = stations_for("survey", verdict=None)
    offset = np.full(alone.relief.offset.shape, np.nan)
    offset[1, 1] = -0.08
    relief = dataclasses.replace(alone.relief, offset=offset)
    lonely = dataclasses.replace(alone, relief=relief, shape=dataclasses.replace(alone.shape, residual=offset + 0.08))
    names = {path.name.partition("-")[2] for path in write(lonely, tmp_path / "out", formats=EVERY)}
    assert {"contour.png", "sheets.pdf", "wall.html"} <= names
    assert "Wall 1" in summary(lonely)
