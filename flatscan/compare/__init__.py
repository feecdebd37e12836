"""Two surveys of one wall: laid over each other, what changed, and how sure that is."""

from flatscan.compare.alignment import Alignment, by_outline, by_points, by_reference_walls, lie_together, same_frame
from flatscan.compare.difference import (
    Difference,
    Entry,
    Following,
    Found,
    Place,
    beyond_joint,
    change_by,
    change_leveled,
    following,
    ledger,
    thin_places,
    under_least,
)
from flatscan.compare.overlay import Both, Leveled, level, together
from flatscan.compare.shape_fit import ShapeFit, shape_fit

__all__ = [
    "Alignment",
    "Both",
    "Difference",
    "Entry",
    "Following",
    "Found",
    "Leveled",
    "Place",
    "ShapeFit",
    "beyond_joint",
    "by_outline",
    "by_points",
    "by_reference_walls",
    "change_by",
    "change_leveled",
    "following",
    "ledger",
    "level",
    "lie_together",
    "same_frame",
    "shape_fit",
    "thin_places",
    "together",
    "under_least",
]
