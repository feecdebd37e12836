"""What goes with the coats: reveals, beads and mesh by the metre, and the area a bill is measured by."""

from __future__ import annotations

from dataclasses import dataclass

from flatscan.core.errors import BadValue
from flatscan.core.model import Opening, Relief, Wall
from flatscan.plan.finish import BuildUp

# an edge this near the outline has no jamb of its own
_AT_EDGE = 0.02
# roll of mesh [m] wide, laid with 100 mm laps (common practice)
_ROLL, _LAP = 1.0, 0.1

# openings deducted: share of an opening's area by its size [m2], as printed in TRADE
AREA_RULES = ("net", "gross", "over-2.5", "half-0.5-3")


@dataclass(frozen=True, slots=True)
class Extras:
    """Metres of reveal (two jambs and a head each), of corner bead along them, and of mesh off a 1 m roll."""

    reveals: float
    beads: float
    mesh: float
    mesh_area: float


def jambs_and_head(opening: Opening, wall: Wall) -> float:
    """Metres of reveal an opening has: jambs and head, less edges that are the wall's own; a sill is not plastered."""
    left, right = float(wall.outline[:, 0].min()), float(wall.outline[:, 0].max())
    top = float(wall.outline[:, 1].max())
    metres = opening.height * ((opening.left > left + _AT_EDGE) + (opening.right < right - _AT_EDGE))
    return float(metres + opening.width * (opening.top < top - _AT_EDGE))


def extras(wall: Wall, relief: Relief, build_up: BuildUp, *, mesh_over: float | None) -> Extras:
    """Reveals, beads and mesh of a wall; mesh where the build-up is over ``mesh_over`` [m], None for none."""
    metres = sum(jambs_and_head(hole, wall) for hole in wall.openings)
    area = 0.0
    if mesh_over is not None:
        deep = relief.valid & (build_up.thickness > mesh_over)
        area = float(relief.area[deep].sum())
    return Extras(metres, metres, area / (_ROLL - _LAP), area)


def measured_area(wall: Wall, relief: Relief, rule: str = "net") -> float:
    """Area [m2] by the rule of measurement: net, gross, openings to 2.5 m2 measured over, or by thirds of size.

    ``over-2.5`` (Germany) deducts openings over 2.5 m2; ``half-0.5-3`` (India) none under 0.5 m2, one face of two,
    so half, from 0.5 to 3, all over 3. Raises `BadValue` for another word.
    """
    if rule not in AREA_RULES:
        raise BadValue("area rule", rule, needed=" or ".join(AREA_RULES), remedy="Use one of these words")
    if rule == "net":
        return relief.net_area
    deducted = 0.0
    for hole in wall.openings:
        size = hole.width * hole.height
        if rule == "over-2.5":
            deducted += size if size > 2.5 else 0.0
        elif rule == "half-0.5-3":
            deducted += 0.0 if size < 0.5 else size / 2 if size <= 3.0 else size
    return wall.gross_area - deducted
