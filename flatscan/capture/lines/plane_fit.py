"""Boards held in the light of a laser: poses, the board's bow and the plane of light fitted together.

See methods/laser-line 16.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from flatscan.capture.calibration.lens import U_PIXELS, lens_left
from flatscan.capture.camera import Camera
from flatscan.capture.lines.laser_plane import CalibratedPlane
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array, robust_scale, widest_angle
from flatscan.core.quantity import degrees, metres, share

LEAST_POSES = 4
_LEAST_TILT = np.radians(12.0)
# a board is taken to bow by so much (k = 1) each way before its photos are asked, and a step to be known to that
_BOW, U_STEP = 0.0004, 0.002
# lines nearer to each other than this share of their length fix no plane; nor does light in which the camera stands
_LEAST_APART, _LEAST_OFF = 0.05, 0.02
# rounds of Gauss and Newton, points that stand for a line, least scatter of corners and of lines [pixels]
_ROUNDS, _BINS, _LEAST_CORNER, _LEAST_LINE = 12, 12, 0.02, 0.05
_HUBER, _SETTLED = 1.5, 1e-7
_AS_GOOD = 3.0
_POSE, _SHARED = 6, 6


@dataclass(frozen=True, eq=False)
class LitBoard:
    """A board in the light: ``places`` (n, 3) [m], their ``pixels`` (n, 2), and those of the ``line`` (k, 2)."""

    name: str
    places: Array
    pixels: Array
    line: Array


def plane_of(camera: Camera, boards: Sequence[LitBoard], where: Path) -> CalibratedPlane:
    """The plane of light through the lines on boards in several poses, and its covariance.

    Poses, the board's bow and the plane are fitted together to corners and lines (Zhou and Zhang, Image and Vision
    Computing 23, 2005, 59, is the usual way; the joint fit and its jackknife over poses are ours, methods/laser-line
    16). Raises `ReadError` where the poses fix no plane.
    """
    fitted = _fit(camera, boards, where)
    step = 1e-3
    other = _fit(replace(camera, fx=camera.fx * (1 + step), fy=camera.fy * (1 + step)), boards, where)
    by_focal = (np.append(other.normal, other.distance) - np.append(fitted.normal, fitted.distance)) / step
    return replace(fitted, by_focal=by_focal)


@dataclass(frozen=True, eq=False)
class _Posed:
    """A board with straightened corners (n, 2) and line (k, 2), ``half`` (2,) its size [m], ``pose`` (6,)."""

    places: Array
    half: Array
    corners: Array
    line: Array
    pose: Array

    def heights(self, flat: Array, bow: Array) -> Array:
        """How far the board stands off its plane (n,) [m] at places (n, 2) from its middle."""
        across, up = (flat / self.half).T
        return (across**2 - 1 / 3) * bow[0] + (up**2 - 1 / 3) * bow[1] + across * up * bow[2]

    def misses(self, pose: Array, bow: Array) -> Array:
        """By how much corners miss (2 n,), straightened."""
        turned, shift = _turn(pose), pose[3:]
        places = self.places + np.outer(self.heights(self.places[:, :2], bow), [0, 0, 1.0])
        seen = places @ turned.T + shift
        return (seen[:, :2] / seen[:, 2:] - self.corners).ravel()

    def lit(self, pose: Array, bow: Array, rays: Array) -> Array:
        """Where rays (k, 2) meet the board (k, 3) [m], in the camera's axes."""
        turned, shift = _turn(pose), pose[3:]
        normal, ray = turned[:, 2], np.column_stack([rays, np.ones(len(rays))])
        across = ray @ normal
        point = ray * ((normal @ shift) / across)[:, None]
        off = self.heights(((point - shift) @ turned)[:, :2], bow)
        return point + ray * (off / across)[:, None]


def _turn(pose: Array) -> Array:
    import cv2

    return np.asarray(cv2.Rodrigues(pose[:3])[0], np.float64)


def posed(camera: Camera, board: LitBoard) -> tuple[Array, ...]:
    """Turn and shift (6,) of a board, middle at 0: the answers that fit its corners, the better one first.

    Two answers fit a flat board nearly as well where it is small or its corners are poor; the other one is left out
    where it misses three times as much.
    """
    import cv2

    corners, places = camera.straight(board.pixels), _centred(board.places)
    _, turns, shifts, _ = cv2.solvePnPGeneric(places, corners, np.eye(3), None, flags=cv2.SOLVEPNP_IPPE)
    found: list[tuple[float, Array]] = []
    for first in zip(turns, shifts, strict=True):
        turn, shift = cv2.solvePnPRefineLM(places, corners, np.eye(3), None, *first)
        pose = np.concatenate([np.ravel(turn), np.ravel(shift)]).astype(np.float64)
        seen = places @ _turn(pose).T + pose[3:]
        if pose[5] > 0:
            found.append((robust_scale((seen[:, :2] / seen[:, 2:] - corners).ravel()), pose))
    found.sort(key=lambda one: one[0])
    return tuple(pose for off, pose in found if off <= _AS_GOOD * found[0][0])


def _chosen(camera: Camera, boards: Sequence[LitBoard]) -> list[_Posed]:
    """Boards in their poses; of two answers the one whose light lies in a plane with that of the other boards.

    Every two boards' lights make a plane; the one that leaves the least to the middle one of all boards decides.
    """
    answers = [[_prepared(camera, board, pose) for pose in posed(camera, board)] for board in boards]
    answers = [some for some in answers if some]
    if len(answers) < LEAST_POSES or all(len(some) == 1 for some in answers):
        return [some[0] for some in answers]
    lights = [[one.lit(one.pose, np.zeros(3), one.line) for one in some] for some in answers]
    flat = [(i, light) for i, some in enumerate(lights) for light in some]
    best: tuple[float, _Plane] | None = None
    for k, (i, light) in enumerate(flat):
        for j, other in flat[k + 1 :]:
            if i == j:
                continue
            plane = _through(np.concatenate([light, other]))
            off = float(np.median([min(plane.off(one) for one in some) for some in lights]))
            if best is None or off < best[0]:
                best = off, plane
    if best is None:
        return [some[0] for some in answers]
    plane = best[1]
    which = [int(np.argmin([plane.off(light) for light in some])) for some in lights]
    return [some[i] for some, i in zip(answers, which, strict=True)]


def _centred(places: Array) -> Array:
    return places - (places.max(axis=0) + places.min(axis=0)) / 2


def _prepared(camera: Camera, board: LitBoard, pose: Array) -> _Posed:
    places = _centred(board.places)
    line = camera.straight(board.line)
    middle = line.mean(axis=0)
    along = np.linalg.svd(line - middle, full_matrices=False)[2]
    turned = (line - middle) @ along.T
    order = np.argsort(turned[:, 0], kind="stable")
    parts = np.array_split(order, min(_BINS, max(2, len(order) // 3)))
    binned = np.array([[turned[part, 0].mean(), np.median(turned[part, 1])] for part in parts])
    half = np.maximum(np.abs(places[:, :2]).max(axis=0), 1e-6)
    return _Posed(places, half, camera.straight(board.pixels), binned @ along + middle, pose)


@dataclass(frozen=True, eq=False)
class _Plane:
    normal: Array
    distance: float

    def off(self, points: Array) -> float:
        """Root mean square [m] by which points (n, 3) miss it."""
        return float(np.sqrt(np.mean((points @ self.normal - self.distance) ** 2)))

    def sides(self) -> Array:
        """Two directions (2, 3) in which the normal can turn."""
        return np.linalg.svd(self.normal[None])[2][1:]

    def moved(self, change: Array) -> _Plane:
        normal = self.normal + change[:2] @ self.sides()
        size = float(np.linalg.norm(normal))
        return _Plane(normal / size, (self.distance + float(change[2])) / size)


def _fit(camera: Camera, boards: Sequence[LitBoard], where: Path) -> CalibratedPlane:
    """The joint fit, with a plane the poses fix; ``by_focal`` is not known here."""
    all_posed = _chosen(camera, boards)
    _refuse_parallel(where, all_posed)
    points = np.concatenate([one.lit(one.pose, np.zeros(3), one.line) for one in all_posed])
    plane = _through(points)
    _refuse_together(where, points, plane)
    state = _State(all_posed, np.zeros(3), plane, 1.0 / camera.fx, 1.0 / camera.fx)
    for _ in range(_ROUNDS):
        before = state
        state, reduced, steps = _improved(state, camera.fx)
        if abs(state.plane.distance - before.plane.distance) < _SETTLED * float(points[:, 2].max()):
            break
    covariance = _covariance(state.plane, reduced, steps)
    covariance[3, 3] += (U_STEP * state.plane.distance) ** 2
    lit = [one.lit(one.pose, state.bow, one.line) for one in state.boards]
    off = [points @ state.plane.normal - state.plane.distance for points in lit]
    scale = [_per_ray(one, state) * camera.fx for one in state.boards]
    depth = np.concatenate(lit)[:, 2]
    return CalibratedPlane(
        camera,
        state.plane.normal,
        state.plane.distance,
        covariance,
        np.zeros(4),
        float(np.sqrt(np.mean(np.concatenate(off) ** 2))),
        len(boards),
        float(depth.min()),
        float(depth.max()),
        float(np.abs(state.bow).max()),
        _lens_left(state, camera),
        np.array([float(np.sqrt(np.mean((a * b) ** 2))) for a, b in zip(off, scale, strict=True)]),
    )


@dataclass(frozen=True, eq=False)
class _State:
    """Boards in their poses, ``bow`` (3,) [m], the plane, and scatter of corners and lines, straightened."""

    boards: Sequence[_Posed]
    bow: Array
    plane: _Plane
    corner: float
    light: float


def _lens_left(state: _State, camera: Camera) -> float:
    """What the lens's file leaves [pixels], by its own word or by these photos' corners, whichever says more."""
    rest = np.concatenate([one.misses(one.pose, state.bow).reshape(-1, 2) for one in state.boards])
    at = np.concatenate([one.corners for one in state.boards])
    rest = np.clip(rest, -3 * state.corner, 3 * state.corner)
    stated = camera.extra(U_PIXELS)
    return max(lens_left(rest * camera.fx, at * camera.fx, camera.width), float(stated or 0.0))


def _per_ray(board: _Posed, state: _State) -> Array:
    """How far a ray across the line moves for the light to leave the plane by a metre, (k,) straightened."""
    along = board.line[-1] - board.line[0]
    across = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-12)
    step = 1e-4
    ends = (board.lit(board.pose, state.bow, board.line + side * step * across) for side in (1, -1))
    one, other = (end @ state.plane.normal for end in ends)
    return 2 * step / np.maximum(np.abs(one - other), 1e-12)


def _improved(state: _State, focal: float) -> tuple[_State, list[Array], list[Array]]:
    """One round: every board's own unknowns are taken out, the shared ones solved, and what each board asks for."""
    reduced, asked, backs, rests = [], [], [], []
    for board in state.boards:
        scale = _per_ray(board, state)
        base, slopes = _slopes(board, state, scale)
        many = 2 * len(board.corners)
        spread = np.concatenate([np.full(many, state.corner), np.full(len(board.line), state.light)])
        trust = np.minimum(1.0, _HUBER / np.maximum(np.abs(base / spread), 1e-9))
        # corners err one by one, but a line lies off as a whole: half the poses must not outvote the others
        trust[many:] = 1.0
        weight = trust / spread**2
        weighted = slopes * weight[:, None]
        whole, pull = slopes.T @ weighted, -(weighted.T @ base)
        own = whole[:_POSE, :_POSE] + 1e-9 * np.diag(np.diag(whole)[:_POSE])
        back = np.linalg.solve(own, np.column_stack([whole[:_POSE, _POSE:], pull[:_POSE]]))
        reduced.append(whole[_POSE:, _POSE:] - whole[_POSE:, :_POSE] @ back[:, :-1])
        asked.append(pull[_POSE:] - whole[_POSE:, :_POSE] @ back[:, -1])
        backs.append(back)
        rests.append((base[:many], base[many:]))
    prior = np.diag([1 / _BOW**2] * 3 + [0.0] * 3)
    pull = np.sum(asked, axis=0) - prior @ np.append(state.bow, np.zeros(3))
    change = np.linalg.solve(np.sum(reduced, axis=0) + prior, pull)
    boards = [
        replace(board, pose=board.pose + back[:, -1] - back[:, :-1] @ change)
        for board, back in zip(state.boards, backs, strict=True)
    ]
    corner = max(robust_scale(np.concatenate([one for one, _ in rests])), _LEAST_CORNER / focal)
    light = max(float(np.sqrt(np.mean(np.concatenate([one for _, one in rests]) ** 2))), _LEAST_LINE / focal)
    moved = _State(boards, state.bow + change[:3], state.plane.moved(change[3:]), corner, light)
    return moved, [*reduced, prior], asked


def _slopes(board: _Posed, state: _State, scale: Array) -> tuple[Array, Array]:
    """What corners and line miss by, straightened, and how that changes with pose, bow and plane."""

    def missed(unknown: Array) -> Array:
        pose, bow, plane = unknown[:6], unknown[6:9], state.plane.moved(unknown[9:])
        light = board.lit(pose, bow, board.line) @ plane.normal - plane.distance
        return np.concatenate([board.misses(pose, bow), light * scale])

    at = np.concatenate([board.pose, state.bow, np.zeros(3)])
    here, step = missed(at), 1e-6
    columns = [(missed(at + one) - here) / step for one in np.eye(len(at)) * step]
    return here, np.column_stack(columns)


def _covariance(plane: _Plane, reduced: list[Array], asked: list[Array]) -> Array:
    """Covariance (4, 4) of normal and distance: the fit's own, or the jackknife's over poses where that is larger.

    Leaving out a pose moves the answer by (S - S_i)^-1 g_i; m - 1 over m times the sum of squares is the jackknife's
    variance, which holds whatever the poses do not share (Efron and Stein, Annals of Statistics 9, 1981, 586). Few
    poses know their scatter badly: Student's factor for two numbers a pose less three.
    """
    from scipy import stats

    whole, poses = np.sum(reduced, axis=0), len(asked)
    own = np.linalg.inv(whole)[3:, 3:]
    left = [np.linalg.solve(whole - part, pull)[3:] for part, pull in zip(reduced, asked, strict=False)]
    jackknife = (poses - 1) / poses * np.sum([np.outer(one, one) for one in left], axis=0)
    wider = max(1.0, float(np.trace(np.linalg.solve(own, jackknife))) / 3)
    student = float(stats.t.ppf(0.975, 2 * poses - 3) / stats.norm.ppf(0.975))
    to_plane = np.zeros((4, 3))
    to_plane[:3, :2], to_plane[3, 2] = plane.sides().T, 1.0
    return to_plane @ (own * wider * student**2) @ to_plane.T


def _through(points: Array) -> _Plane:
    """The plane nearest to points (n, 3), its normal to the right, or down where it has no right."""
    middle = points.mean(axis=0)
    normal = np.linalg.svd(points - middle, full_matrices=False)[2][2]
    normal = -normal if normal[np.abs(normal[:2]).argmax()] < 0 else normal
    return _Plane(normal, float(normal @ middle))


def _refuse_parallel(where: Path, boards: Sequence[_Posed]) -> None:
    """Raise `ReadError` for too few poses, or poses that are all parallel."""
    if len(boards) < LEAST_POSES:
        raise ReadError(
            where,
            "the line is seen on the board in {poses} {poses:pose|poses}",
            needed="at least {least}, better {better}",
            remedy="Photograph the board in the light in more poses, near and far",
            poses=len(boards),
            least=LEAST_POSES,
            better=2 * LEAST_POSES,
        )
    normals = np.array([_turn(one.pose)[:, 2] for one in boards])
    tilt = widest_angle(normals)
    if tilt < _LEAST_TILT:
        raise ReadError(
            where,
            "all poses of the board are parallel within {tilt:angle.0}",
            needed="poses that differ by at least {least:angle.0}",
            remedy="Tilt the board: lean it back, forward, left and right, near and far",
            tilt=degrees(np.degrees(tilt)),
            least=degrees(np.degrees(_LEAST_TILT)),
        )


def _refuse_together(where: Path, points: Array, plane: _Plane) -> None:
    """Raise `ReadError` for lines that fall together, or a camera that stands in the light."""
    length, apart = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[:2]
    if apart < _LEAST_APART * length:
        raise ReadError(
            where,
            "the lines on the boards lie all within {apart:length} of each other",
            needed="boards at several distances",
            remedy="Hold the board nearer and further, from near the camera to as far as the wall",
            apart=metres(float(apart / np.sqrt(len(points)) * 2)),
        )
    if abs(plane.distance) < _LEAST_OFF * float(points[:, 2].max()):
        raise ReadError(
            where,
            "the camera stands in the laser's plane, {off:length} off it",
            needed="at least {least:share} of the distance to the board, better a third",
            remedy="Mount laser and camera further apart",
            off=metres(abs(plane.distance)),
            least=share(_LEAST_OFF),
        )
