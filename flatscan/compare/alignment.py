"""Bringing a later survey of a wall into the coordinates of an earlier one, and how surely."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation

from flatscan.core.errors import BadTable, MixedSurveys
from flatscan.core.geometry import Array, unit
from flatscan.core.model import Wall
from flatscan.core.notes import Note

# two scans in one coordinate system meet with about this much (METHODS 1b, across a registration seam: engineering
# estimate, no source); an outline's edge is found to about a cell or two
REGISTERED_U, OUTLINE_U = 0.001, 0.010
_FEWEST = 3
# walls further apart in their files' coordinates than their edges are known are not taken to share them; out of the
# plane a coat may lie between, and turn the wall's own line a little
_NEAR, _NEAR_OUT, _NEAR_TURN = 0.030, 0.10, math.radians(0.5)


@dataclass(frozen=True, eq=False)
class Alignment:
    """Later wall coordinates q to earlier ones: turn @ q + shift, with how well that is known.

    ``how`` says by what in words. ``u_place`` [m] is the standard uncertainty of a place in the wall's plane.
    ``design`` (3, 3) is the covariance of offset [m], turn and lean [m per m] about the origin of the earlier wall:
    what the alignment itself puts on a change z at x, y is [1, x, y] design [1, x, y]'. ``undetermined`` names the
    directions nothing fixed: with "out" among them a thickness cannot be known.
    """

    turn: Array
    shift: Array
    how: Note | str
    u_place: float
    design: Array = field(default_factory=lambda: np.zeros((3, 3)))
    undetermined: tuple[str, ...] = ()
    notes: tuple[Note | str, ...] = ()

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
    return Alignment(turn, shift, f"one coordinate system for both, met to {u * 1000:g} mm (k = 1)", u, design)


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
    if worst.max() > 0.05:
        raise MixedSurveys(
            "fixed points", f"point {int(worst.argmax()) + 1} is {worst.max() * 1000:.0f} mm off after the best fit",
            needed="the same points in both captures, within 50 mm", remedy="Check their order and their unit",
        )  # fmt: skip
    spare = 3 * len(first) - 6
    spread = max(u, float(np.sqrt((residual**2).sum() / spare))) if spare else u
    turn, shift = between(earlier, later, (rotation, offset), shifts)
    local = (first - shifts[0] - earlier.frame.at) @ _axes(earlier).T
    design, u_place = _rigid_covariance(local, spread)
    said = f"{len(first)} fixed points, {np.sqrt((residual**2).sum(axis=1).mean()) * 1000:.1f} mm rms after the fit"
    return Alignment(turn, shift, said, u_place, design)


def _checked(first: Array, second: Array) -> None:
    if len(first) < _FEWEST or len(first) != len(second):
        raise BadTable(
            "fixed points", f"{len(first)} and {len(second)} points", needed="at least three, the same in both",
            remedy="Read three points that were not worked on, spread over the room",
        )  # fmt: skip
    for points in (first, second):
        spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
        if spread[1] < 0.05 * max(float(spread[0]), 1e-9) or spread[0] < 0.1:
            raise BadTable(
                "fixed points", "they lie on one line, or next to each other", needed="three that span a triangle",
                remedy="Add a point off the line",
            )  # fmt: skip


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
    names = ", ".join(str(first.number) for first, _ in pairs)
    said = f"reference wall{'s' if len(pairs) > 1 else ''} {names}, taken as not worked on"
    notes = () if fixed else ("no reference wall faces this one, so its distance is not fixed: only changes of shape",)
    return Alignment(matrix, shift, said, OUTLINE_U, design, undetermined, notes)


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
