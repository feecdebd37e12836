"""Whether two surveys show one wall, and how its outline and openings lie over each other."""

from __future__ import annotations

import numpy as np

from flatscan.compare.alignment import OUTLINE_U, Alignment
from flatscan.core.errors import MixedSurveys
from flatscan.core.geometry import Array
from flatscan.core.model import Opening, Wall
from flatscan.core.quantity import root_sum_square

# scales of phone captures differ by up to 1 % (METHODS 1a), edges are found to some cells; strips at corners differ
_SIZE_SHARE, _SIZE_LEAST = 0.02, 0.08
_OPENING = 0.15


def by_outline(earlier: Wall, later: Wall, *, undetermined: tuple[str, ...] = ("out", "turn")) -> Alignment:
    """Edges and openings of the outline laid over each other; out of the wall's plane they fix nothing.

    Both frames are upright, so the lean is compared through gravity. Raises `MixedSurveys` with the differences
    where the sizes or the openings are of different walls.
    """
    differences = _size_differences(earlier, later)
    pairs, odd = match_openings(earlier, later)
    _refuse(earlier, later, differences, odd if not pairs or len(odd) > len(pairs) else [])
    moves = [differences / 2]
    moves += [_middle(a) - _middle(b) for a, b in pairs]
    shift = np.median(moves, axis=0) if pairs else moves[0]
    spread = np.abs(np.array(moves) - shift).max() if len(moves) > 1 else np.abs(differences).max() / 2
    u = max(OUTLINE_U, float(spread) / np.sqrt(3))
    u_lean = root_sum_square(earlier.plumb.u_lean, later.plumb.u_lean)
    notes = tuple(
        f"the opening at x {o.left * 1000:.0f}, y {o.bottom * 1000:.0f} mm is in one survey only" for o in odd
    )
    said = f"outline{' and ' + str(len(pairs)) + ' openings' if pairs else ''}, to {u * 1000:.0f} mm (k = 1)"
    design = np.diag([0.0, 0.0, 0.0 if u_lean is None else u_lean**2])
    unknown = undetermined if u_lean is not None else (*undetermined, "lean")
    return Alignment(np.eye(3), np.array([*shift, 0.0]), said, u, design, unknown, notes)


def _size_differences(earlier: Wall, later: Wall) -> Array:
    return np.array([earlier.width - later.width, earlier.height - later.height])


def _middle(opening: Opening) -> Array:
    return np.array([opening.left + opening.width / 2, opening.bottom + opening.height / 2])


def match_openings(earlier: Wall, later: Wall) -> tuple[list[tuple[Opening, Opening]], list[Opening]]:
    """Pairs of openings whose edges lie within 150 mm of each other, and those of either wall without a partner."""
    pairs, left = [], list(later.openings)
    odd: list[Opening] = []
    for one in earlier.openings:
        near = [two for two in left if _apart(one, two) <= _OPENING]
        if near:
            best = min(near, key=lambda two: _apart(one, two))
            pairs.append((one, best))
            left.remove(best)
        else:
            odd.append(one)
    return pairs, odd + left


def _apart(one: Opening, two: Opening) -> float:
    edges = ((one.left, two.left), (one.right, two.right), (one.bottom, two.bottom), (one.top, two.top))
    return max(abs(a - b) for a, b in edges)


def _refuse(earlier: Wall, later: Wall, differences: Array, odd: list[Opening]) -> None:
    allowed = np.maximum(_SIZE_LEAST, _SIZE_SHARE * np.array([earlier.width, earlier.height]))
    if (np.abs(differences) > allowed).any() or odd:
        sizes = " against ".join(
            f"{w.width * 1000:.0f} x {w.height * 1000:.0f} mm with {len(w.openings)} openings" for w in (earlier, later)
        )
        found = (
            f"{sizes}: {abs(differences[0]) * 1000:.0f} mm apart in width, {abs(differences[1]) * 1000:.0f} in height"
        )
        if odd:
            found += f", {len(odd)} openings without a partner"
        raise MixedSurveys(
            "the two surveys", found,
            needed=f"one wall: sizes within {allowed[0] * 1000:.0f} and {allowed[1] * 1000:.0f} mm, the same openings",
            remedy="Choose the wall with --earlier-wall and --later-wall, or tie the surveys with --points",
        )  # fmt: skip
