"""Bringing a later survey of a wall into the coordinates of an earlier one, and how surely."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation

from flatscan.core.errors import BadTable, MixedSurveys
from flatscan.core.geometry import Array, unit
from flatscan.core.model import Opening, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, root_sum_square

# two scans in one coordinate system meet with about this much (methods/comparison 1, across a registration seam:
# engineering estimate, no source); an outline's edge is found to about a cell or two
REGISTERED_U, OUTLINE_U = 0.001, 0.010
_FEWEST = 3
# walls further apart in their files' coordinates than their edges are known are not taken to share them; out of the
# plane a coat may lie between, and turn the wall's own line a little
_NEAR, _NEAR_OUT, _NEAR_TURN = 0.030, 0.10, math.radians(0.5)
# fixed points further off than this [m] after the best fit are not the same points
_SAME_POINT = 0.05
# scales of phone captures differ by up to 1 % (methods/uncertainty 9), edges are found to some cells; strips at corners
# differ
_SIZE_SHARE, _SIZE_LEAST = 0.02, 0.08
_OPENING = 0.15


@dataclass(frozen=True, eq=False)
class Alignment:
    """Later wall coordinates q to earlier ones: turn @ q + shift, with how well that is known.

    ``how`` says by what. ``u_place`` [m] is the standard uncertainty of a place in the wall's plane.
    ``design`` (3, 3) is the covariance of offset [m], turn and lean [m per m] about the origin of the earlier wall:
    what the alignment itself puts on a change z at x, y is [1, x, y] design [1, x, y]'. ``undetermined`` names the
    directions nothing fixed: with "out" among them a thickness cannot be known.
    """

    turn: Array
    shift: Array
    how: Note
    u_place: float
    design: Array = field(default_factory=lambda: np.zeros((3, 3)))
    undetermined: tuple[str, ...] = ()
    notes: tuple[Note, ...] = ()

    @property
    def fixes_out(self) -> bool:
        """Whether a change toward the room is known, and not only a change of shape."""
        return "out" not in self.undetermined

    def apply(self, points: Array) -> Array:
        """Later wall coordinates (n, 3) as earlier ones [m]."""
        return np.asarray(points, float) @ self.turn.T + self.shift

    def u_at(self, x: Array, y: Array) -> Array:
        """Standard uncertainty the alignment puts on a change at x, y [m]."""
        rows = np.stack([np.ones_like(x), x, y], axis=-1)
        return np.sqrt(np.clip(np.einsum("...i,ij,...j->...", rows, self.design, rows), 0.0, None))


def _axes(wall: Wall) -> Array:
    return np.stack([wall.frame.along, wall.frame.up, wall.frame.out])


def between(earlier: Wall, later: Wall, move: tuple[Array, Array], shifts: tuple[Array, Array]) -> tuple[Array, Array]:
    """Rotation (3, 3) and shift (3,) from later to earlier wall coordinates, for walls of two files.

    ``move`` is the rotation and shift from the later file's coordinates to the earlier's; ``shifts`` are what was
    subtracted from the earlier and the later file's coordinates [m].
    """
    rotation, offset = move
    first, second = _axes(earlier), _axes(later)
    place = rotation @ (later.frame.at + shifts[1]) + offset - shifts[0] - earlier.frame.at
    return first @ rotation @ second.T, first @ place


def same_frame(earlier: Wall, later: Wall, shifts: tuple[Array, Array], *, u: float = REGISTERED_U) -> Alignment:
    """Both captures lie in one coordinate system, met to ``u`` [m] at the wall."""
    turn, shift = between(earlier, later, (np.eye(3), np.zeros(3)), shifts)
    design = np.diag([u**2, 0.0, 0.0])
    return Alignment(turn, shift, note("compare.same-frame", u=metres(0.0, u)), u, design)


def lie_together(earlier: Wall, later: Wall, shifts: tuple[Array, Array]) -> bool:
    """Whether the two walls lie so near each other in their files that these plainly share a coordinate system."""
    turn, shift = between(earlier, later, (np.eye(3), np.zeros(3)), shifts)
    angle = Rotation.from_matrix(turn).magnitude()
    return bool(angle < _NEAR_TURN and max(abs(shift[0]), abs(shift[1])) < _NEAR and abs(shift[2]) < _NEAR_OUT)


def rigid(source: Array, target: Array) -> tuple[Array, Array, Array]:
    """Least-squares rotation (3, 3) and shift (3,) that take points ``source`` (n, 3) to ``target``, and residuals.

    Kabsch's solution (Acta Cryst. A32, 1976, 922) as in `scipy.spatial.transform.Rotation.align_vectors`.
    """
    middle, aim = source.mean(axis=0), target.mean(axis=0)
    found, *_ = Rotation.align_vectors(target - aim, source - middle)
    turn = found.as_matrix()
    shift = aim - turn @ middle
    return turn, shift, source @ turn.T + shift - target


def by_points(
    earlier: Wall, later: Wall, first: Array, second: Array, shifts: tuple[Array, Array], *, u: float = 0.001
) -> Alignment:
    """Fixed points or targets seen in both captures: ``first`` and ``second`` (n, 3) in each file's coordinates [m].

    ``u`` [m] is the standard uncertainty of one coordinate of one point; larger residuals raise it. Raises
    `BadTable` for fewer than three points or points on one line, `MixedSurveys` where they do not fit rigidly.
    """
    _checked(first, second)
    rotation, offset, residual = rigid(second, first)
    worst = np.linalg.norm(residual, axis=1)
    if worst.max() > _SAME_POINT:
        raise MixedSurveys(
            "fixed points",
            "point {number} is {off:length} off where all are laid as close as they go",
            needed="the same points in both captures, within {most:length}",
            remedy="Check their order and their unit",
            number=int(worst.argmax()) + 1,
            off=metres(worst.max()),
            most=metres(_SAME_POINT),
        )
    spare = 3 * len(first) - 6
    spread = max(u, float(np.sqrt((residual**2).sum() / spare))) if spare else u
    turn, shift = between(earlier, later, (rotation, offset), shifts)
    local = (first - shifts[0] - earlier.frame.at) @ _axes(earlier).T
    design, u_place = _rigid_covariance(local, spread)
    rms = metres(np.sqrt((residual**2).sum(axis=1).mean()))
    return Alignment(turn, shift, note("compare.by-points", points=len(first), rms=rms), u_place, design)


def _checked(first: Array, second: Array) -> None:
    if len(first) < _FEWEST or len(first) != len(second):
        raise BadTable(
            "fixed points",
            "{earlier} and {later} points",
            needed="at least three, the same in both",
            remedy="Read three points that were not worked on, spread over the room",
            earlier=len(first),
            later=len(second),
        )
    for points in (first, second):
        spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
        if spread[1] < 0.05 * max(float(spread[0]), 1e-9) or spread[0] < 0.1:
            raise BadTable(
                "fixed points",
                "they lie on one line, or next to each other",
                needed="three that span a triangle",
                remedy="Add a point off the line",
            )


def _rigid_covariance(local: Array, u: float) -> tuple[Array, float]:
    """Covariance of (offset, turn, lean) and u of a place, from points in earlier wall coordinates.

    Small motion about the points' middle: u^2 (J'J)^-1 with J = [I, -skew(p)] (propagation, JCGM 100:2008, 5.1.2).
    """
    middle = local.mean(axis=0)
    rows = [np.hstack([np.eye(3), -_skew(p - middle)]) for p in local]
    covariance = u**2 * np.linalg.pinv(np.vstack(rows).T @ np.vstack(rows))
    # z moves by t_z + w_x (y - my) - w_y (x - mx): written as offset + turn x + lean y about the wall's origin
    back = np.zeros((3, 6))
    back[0, 2], back[0, 3], back[0, 4] = 1.0, -middle[1], middle[0]
    back[1, 4], back[2, 3] = -1.0, 1.0
    return back @ covariance @ back.T, float(np.sqrt(covariance[0, 0] + covariance[1, 1]))


def _skew(p: Array) -> Array:
    return np.array([[0.0, -p[2], p[1]], [p[2], 0.0, -p[0]], [-p[1], p[0], 0.0]])


def by_reference_walls(
    earlier: Wall, later: Wall, pairs: tuple[tuple[Wall, Wall], ...], u_wall: float, u_lean: float | None
) -> Alignment:
    """Other walls of both captures that were not worked on: they fix the turn, and what they face fixes the offset.

    ``pairs`` are (earlier, later) other walls, each in its own file's coordinates; ``u_wall`` [m] the uncertainty of
    the distance between the measured wall and another, ``u_lean`` [m per m] of the difference of both verticals.
    A wall square to the measured one says nothing about its offset: without one that faces it, "out" stays
    undetermined.
    """
    turns = [_bearing(first, earlier) - _bearing(second, later) for first, second in pairs]
    turn = float(np.mean([math.remainder(angle, 2 * math.pi) for angle in turns]))
    c, s = math.cos(turn), math.sin(turn)
    # a bearing is counted from along toward out, so the later wall's axes are turned by it about its own up
    matrix = np.array([[c, 0.0, -s], [0.0, 1.0, 0.0], [s, 0.0, c]])
    rows = [_facing_row((earlier, later), pair, matrix) for pair in pairs]
    normals, values = np.array([row[0] for row in rows]), np.array([row[1] for row in rows])
    # the least-norm solution leaves unmoved what no reference wall fixes
    solution, *_ = np.linalg.lstsq(normals, values, rcond=0.05)
    fixed = np.abs(normals[:, 1]).max() > math.cos(math.radians(30))
    span = max(float(np.ptp(w.outline[:, 0])) for w, _ in pairs)
    design = np.diag([u_wall**2, (u_wall / span) ** 2, 0.0 if u_lean is None else u_lean**2])
    shift = np.array([solution[0], 0.0, solution[1] if fixed else 0.0])
    undetermined = ("up", *(() if fixed else ("out",)), *(() if u_lean is not None else ("lean",)))
    numbers = tuple(first.number for first, _ in pairs)
    how = note("compare.by-walls" if len(pairs) > 1 else "compare.by-wall", walls=numbers)
    notes = () if fixed else (note("compare.none-facing"),)
    return Alignment(matrix, shift, how, OUTLINE_U, design, undetermined, notes)


def _bearing(other: Wall, wall: Wall) -> float:
    """Angle of another wall's outward normal in the (along, out) axes of a wall [rad]."""
    return math.atan2(float(other.frame.out @ wall.frame.out), float(other.frame.out @ wall.frame.along))


def _facing_row(walls: tuple[Wall, Wall], others: tuple[Wall, Wall], turn: Array) -> tuple[Array, float]:
    """Normal (along, out) and distance a later other wall has to be moved along it to lie on the earlier one [m]."""
    (earlier, later), (one, two) = walls, others
    normal = unit(np.array([one.frame.out @ earlier.frame.along, 0.0, one.frame.out @ earlier.frame.out]))
    first = _axes(earlier) @ (one.frame.at - earlier.frame.at)
    second = turn @ (_axes(later) @ (two.frame.at - later.frame.at))
    return normal[[0, 2]], float(normal @ (first - second))


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
    notes = tuple(note("compare.opening-in-one", (opening.left, opening.bottom)) for opening in odd)
    design = np.diag([0.0, 0.0, 0.0 if u_lean is None else u_lean**2])
    unknown = undetermined if u_lean is not None else (*undetermined, "lean")
    return Alignment(np.eye(3), np.array([*shift, 0.0]), _outline_note(len(pairs), u), u, design, unknown, notes)


def _outline_note(openings: int, u: float) -> Note:
    """What two surveys are laid over each other by: the outline, and the openings that both have."""
    if openings > 1:
        return note("compare.by-outline-and-openings", openings=openings, u=metres(0.0, u))
    return note("compare.by-outline-and-opening" if openings else "compare.by-outline", u=metres(0.0, u))


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
    if not ((np.abs(differences) > allowed).any() or odd):
        return
    raise MixedSurveys(
        "the two surveys",
        "{width:length} x {height:length} with {openings} openings against {later_width:length} x "
        "{later_height:length} with {later_openings} openings. They are {off_width:length} apart in "
        "width, {off_height:length} in height" + (", {odd} openings without a partner" if odd else ""),
        needed="one wall: sizes within {most_width:length} and {most_height:length}, the same openings",
        remedy="Choose the wall with {set:earlier_wall} and {set:later_wall}, or tie the surveys with {set:points}",
        width=metres(earlier.width),
        height=metres(earlier.height),
        openings=len(earlier.openings),
        later_width=metres(later.width),
        later_height=metres(later.height),
        later_openings=len(later.openings),
        off_width=metres(abs(differences[0])),
        off_height=metres(abs(differences[1])),
        odd=len(odd),
        most_width=metres(allowed[0]),
        most_height=metres(allowed[1]),
    )
