"""What the new face buries or leaves proud: boxes, linings, sills and skirting against the build-up."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from flatscan.core.model import Relief
from flatscan.core.notes import Note
from flatscan.core.table import Column, read_table
from flatscan.plan.finish import BuildUp

# an item this near the new face is flush (common practice)
FLUSH = 0.001
_NEAR = 0.150
_COLUMNS = (Column("name", "word"), Column("x"), Column("y"), Column("depth"), Column("proud", optional=True))


@dataclass(frozen=True, slots=True)
class Item:
    """A thing on the wall at x, y whose face stands ``depth`` [m] proud of the wall beside it (less than 0: recessed).

    ``proud`` [m] is how far it should stand proud of the new face.
    """

    name: str
    x: float
    y: float
    depth: float
    proud: float = 0.0


@dataclass(frozen=True, slots=True)
class Clash:
    """An item against the new face: ``build_up`` there [m], and ``stands`` [m], + proud of the face, - buried.

    ``verdict`` is buried, proud, flush or not measured; ``move`` [m] is how far out to bring it (less than 0: in) to
    stand as it should. ``distance`` [m] is how far away the wall was read.
    """

    item: Item
    build_up: float | None
    stands: float | None
    verdict: str
    move: float | None
    distance: float


def read_items(path: str | Path) -> tuple[tuple[Item, ...], tuple[Note, ...]]:
    """Items from a table with the columns name, x, y, depth and, if wanted, proud, and doubts about how it was read.

    Raises `ReadError` for no file, `BadTable` with line and column for what breaks the table.
    """
    table = read_table(path, _COLUMNS)
    return tuple(Item(row.words["name"], **row.numbers) for row in table.rows), table.notes


def clashes(items: tuple[Item, ...], build_up: BuildUp, relief: Relief) -> tuple[Clash, ...]:
    """Each item against the build-up beside it: the mean within 150 mm for cells, the nearest station for stations."""
    return tuple(_clash(item, build_up, relief) for item in items)


def _clash(item: Item, build_up: BuildUp, relief: Relief) -> Clash:
    across, upward = relief.places
    away = np.where(relief.valid, np.hypot(across - item.x, upward - item.y), np.inf)
    nearest = float(away.min())
    near = relief.beside(item.x, item.y, _NEAR)
    if not near.any():
        return Clash(item, None, None, "not measured", None, nearest)
    thick = float(build_up.thickness[near].mean())
    stands = item.depth - thick
    off = stands - item.proud
    verdict = "flush" if abs(stands) <= FLUSH else "proud" if stands > 0 else "buried"
    return Clash(item, thick, stands, verdict, -off, nearest)
