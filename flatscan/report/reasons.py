"""A word for every null of a document: why that number cannot be known, said in ``capture.warnings``."""

from __future__ import annotations

import re
from collections.abc import Iterator

# paths are written as in the document, list positions left out; the first pattern that matches gives the word
_WHY = (
    (r"capture\.u_point_mm", "the scatter of single points was not estimated"),
    (r"capture\.sha256", "the readings did not come from a file"),
    (r"wall\.cell_mm", "stations stand at free places, so there are no cells"),
    (r"plumb\.u_lean_mm_per_m", "nothing in the capture says how well its vertical is known"),
    (r"plumb\.known_from", "nothing in the capture says where its vertical came from"),
    (r"shape\.belly_(along|up)_mm", "too little of the wall lies on one line to fit an arc"),
    (r"flatness", "no straightedge was laid on this wall"),
    (r"flatness\.(gap|x|y|u_gap|from|to)(_mm)?", "no position of the straightedge could be evaluated"),
    (r"flatness\.upper_mm", "no upper bound can be formed without an uncertainty and an evaluated position"),
    (r"flatness\.coverage", "coverage counts positions on cells, and stations have none"),
    (r"flatness\.(balanced_end_gap|equal_offset)_mm", "no full-length position of the straightedge could be evaluated"),
    (r"verdict", "no limit was given to judge by"),
    (r"verdict\.tolerance", "no tolerance entry was named: the rule and the limit were entered by hand"),
    (r"verdict\.limit_mm", "no criterion with a limit was judged"),
    (r"verdict\.criteria\.(value|upper)_mm", "this criterion could not be measured"),
    (r"material", "no finish plane was placed"),
    (r"material\.u_volume_l", "what moves the volume (plumb, scale, the places between readings) is not known"),
    (r"material\.(system|coats|waste_share)", "no material system was chosen"),
    (r"material\.(bags|bags_range|coats\.bags)", "the material is not sold by the bag, or no system was chosen"),
    (r"material\.days", "no output rate was given"),
    (r"material\.price", "no rates were given: flatscan ships no prices"),
    (r"hacking\.saves_bags", "the material is not sold by the bag, or no system was chosen"),
    (r"hacking", "no finish plane was placed"),
    (
        r"setout\.screeds\.dots\.packing_mm",
        "plumb is not known well enough up there; plumb this dot on site from the foot",
    ),
    (r"setout\.screeds\.dots\.u_packing_mm", "the uncertainty of the packing was not worked out"),
    (
        r"compare\.(mean|volume|least|u|u_volume|u_least|least_x|least_y)(_mm|_l)",
        "nothing fixes one survey against the other out of the wall's plane, so only changes of shape are known",
    ),
    (
        r"compare\.(lean_mm_per_m|agreement\.u_lean_mm_per_m|agreement\.lean_agrees)",
        "how well one survey's vertical is known is not stated",
    ),
    (r"compare\.(follows\.(share|slope)|agreement\.correlation)", "one surface is flat within the noise of its survey"),
    (r"compare\.background\.tolerance", "no tolerance entry was named: the rule and the limit were entered by hand"),
    (r"compare\.background\.(gap|u_gap|excess)_mm", "no position of the straightedge could be evaluated"),
    (r"compare\.background\.excess_share", "no position of the straightedge could be evaluated"),
    (r"compare\.variation\.(price)", "no rates were given: flatscan ships no prices"),
    (
        r"compare\.variation\.(u_)?(applied|planned).*",
        "nothing fixes one survey against the other out of the wall's plane",
    ),
    (r"compare\.variation\.extra_(visits|bags)", "the material's visits or bags were not worked out"),
    (r"setout|lows|compare", "this part could not be worked out"),
)


def nulls(document: object, path: str = "") -> Iterator[str]:
    """Paths of all nulls in a document, list positions left out."""
    if document is None:
        yield path
    elif isinstance(document, dict):
        for key, value in document.items():
            yield from nulls(value, f"{path}.{key}" if path else key)
    elif isinstance(document, list):
        for value in document:
            yield from nulls(value, path)


def words(document: object) -> list[str]:
    """One sentence for each kind of null, in the order in which they stand."""
    return [f"{path} is null: {_why(path)}." for path in dict.fromkeys(nulls(document))]


def _why(path: str) -> str:
    return next((why for pattern, why in _WHY if re.fullmatch(pattern, path)), "it cannot be known from this capture")
