"""Two surveys of one wall: laid over each other, what changed, and how sure that is."""

from flatscan.compare.alignment import Alignment, by_outline, by_points, by_reference_walls, lie_together, same_frame
from flatscan.compare.changed_places import Place, parts
from flatscan.compare.difference import (
    Difference,
    Entry,
    Following,
    Found,
    beyond_joint,
    change_by,
    change_leveled,
    following,
    ledger,
    thin_places,
    under_least,
)
from flatscan.compare.overlay import Both, Leveled, level, together
from flatscan.compare.scores import Scores, claimed, scores
from flatscan.compare.shape_fit import ShapeFit, shape_fit
from flatscan.compare.tested_tie import (
    Likeness,
    Reference,
    beyond,
    both_ways,
    came_off,
    copied,
    likeness,
    moved_evenly,
    reference_tested,
    size_differences,
)

__all__ = [
    "Alignment",
    "Both",
    "Difference",
    "Entry",
    "Following",
    "Found",
    "Leveled",
    "Likeness",
    "Place",
    "Reference",
    "Scores",
    "ShapeFit",
    "beyond",
    "beyond_joint",
    "both_ways",
    "by_outline",
    "by_points",
    "by_reference_walls",
    "came_off",
    "change_by",
    "change_leveled",
    "claimed",
    "copied",
    "following",
    "ledger",
    "level",
    "lie_together",
    "likeness",
    "moved_evenly",
    "parts",
    "reference_tested",
    "same_frame",
    "scores",
    "shape_fit",
    "size_differences",
    "thin_places",
    "together",
    "under_least",
]
