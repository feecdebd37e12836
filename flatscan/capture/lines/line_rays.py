"""From pixels to the wall: homography, the camera's place, the laser's plane and its fan's bend.

See methods/laser-line 1.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from flatscan.capture.camera import Camera
from flatscan.core.errors import BadValue, ReadError
from flatscan.core.geometry import Array
from flatscan.core.quantity import metres, share

# a line of sight moves so little along the wall per mm of depth that nothing can be measured
LEAST_SENSITIVITY = 0.3
NEAREST_LASER = 0.150
_FEWEST_POINTS = 4
# corners of sharp targets come to a few tenths of a pixel; more than this is a wrong place or number
_MOST_OFF_PIXELS = 3.0
_FEWEST_PLACES = 50
# the bend of a fan is smooth: a polynomial of this degree over its angle
_DEGREE = 4


@dataclass(frozen=True, eq=False)
class View:
    """How one fixed camera sees the wall's plane: ``to_wall`` (3, 3) takes straightened image places to metres.

    ``place`` (3,) is the camera's centre in wall coordinates [m], None where it is not known. ``pixel`` [pixels per
    unit of straightened image] is the focal length, 1 where no camera is known and places are pixels. ``off`` [m] is
    the root mean square by which targets miss their places. ``turn`` (3, 3) takes the wall's axes to the camera's.
    """

    camera: Camera | None
    to_wall: Array
    place: Array | None
    pixel: float
    off: float
    turn: Array | None = None

    def rigid(self) -> View:
        """The same view by the camera's place and turn alone, as what is fixed to the camera needs it."""
        if self.turn is None or self.place is None:
            return self
        shown = np.column_stack([self.turn[:, :2], -self.turn @ self.place])
        return replace(self, to_wall=np.asarray(np.linalg.inv(shown), np.float64))

    def straight(self, pixels: Array) -> Array:
        """Image places (n, 2) free of distortion."""
        return pixels if self.camera is None else self.camera.straight(pixels)

    def on_wall(self, pixels: Array) -> Array:
        """Where rays through pixels (n, 2) meet the wall's plane, (n, 2) [m]."""
        return apply(self.to_wall, self.straight(pixels))

    def pixel_size(self, pixels: Array) -> Array:
        """Size of a pixel on the wall (n,) [m], across the picture."""
        step = np.array([0.5, 0.0])
        return np.hypot(*(self.on_wall(pixels + step) - self.on_wall(pixels - step)).T)


def apply(homography: Array, places: Array) -> Array:
    """Places (n, 2) after a homography (3, 3)."""
    homogeneous = np.column_stack([places, np.ones(len(places))]) @ homography.T
    flat: Array = homogeneous[:, :2] / homogeneous[:, 2:]
    return flat


def refuse_poor_targets(where: object, at: Array) -> None:
    """Raise `ReadError` for places (n, 2) on the wall that are too few or stand on one line or nearly so."""
    if len(at) < _FEWEST_POINTS:
        raise ReadError(
            where,
            "{points} points of known place found",
            needed="at least 4, better 8, around the wall",
            remedy="Hang more targets, or photograph with all of them in view",
            points=len(at),
        )
    spread = np.linalg.svd(at - at.mean(axis=0), compute_uv=False)
    if spread[1] < 0.1 * spread[0]:
        raise ReadError(
            where,
            "the points of known place stand on one line or nearly so",
            needed="points all around the wall",
            remedy="Hang targets at all four corners",
        )


def see_wall(where: object, pixels: Array, at: Array, camera: Camera | None, place: Array | None) -> View:
    """The view from pixels (n, 2) of points at places (n, 2) [m] on the wall.

    The camera's place is taped (``place``) or follows from the points and its focal length (solvePnP, SQPNP refined
    by iteration; never IPPE, see methods/laser-line 3). Raises `ReadError` where points miss their places.
    """
    import cv2

    refuse_poor_targets(where, at)
    straight: Array = pixels if camera is None else camera.straight(pixels)
    homography, _ = cv2.findHomography(straight, at, 0)
    if homography is None:
        raise ReadError(
            where, "no view fits the points", needed="points all around the wall", remedy="Check their places"
        )
    to_wall = np.asarray(homography, np.float64)
    missed = apply(to_wall, straight) - at
    inverse: Array = np.asarray(np.linalg.inv(to_wall), np.float64)
    back = apply(inverse, at) - straight
    pixel = 1.0 if camera is None else camera.fx
    off = np.hypot(*back.T) * pixel
    worst, most = int(off.argmax()), max(_MOST_OFF_PIXELS, 0.004 * float(np.ptp(pixels, axis=0).max()))
    if len(at) > _FEWEST_POINTS and off[worst] > most:
        _refuse_wrong_lens(where, pixels, at, camera, most)
        raise ReadError(
            where,
            "the point said to be at {at:xy} appears {off:number.1} pixels off",
            needed="points within {most:number} pixels of their places",
            remedy="Measure its place again, and check which number hangs where",
            at=(float(at[worst, 0]), float(at[worst, 1])),
            off=share(off[worst]),
            most=share(_MOST_OFF_PIXELS),
        )
    rms = float(np.sqrt((missed**2).sum(axis=1).mean()))
    turn = None
    if place is None and camera is not None:
        place, turn = _camera_place(where, straight, at, pixel)
    return View(camera, to_wall, place, pixel, rms, turn)


def _refuse_wrong_lens(where: object, pixels: Array, at: Array, camera: Camera | None, most: float) -> None:
    """Raise `ReadError` where points fit their places better without the lens's distortion, or with its other sign."""
    import cv2

    if camera is None or not any(camera.distortion):
        return
    ways = (
        ("without its distortion", ()),
        ("with the other sign of its distortion", tuple(-part for part in camera.distortion)),
    )
    for way, distortion in ways:
        straight = replace(camera, distortion=distortion).straight(pixels)
        homography, _ = cv2.findHomography(at, straight, 0)
        if homography is None:
            continue
        off = float(np.hypot(*(apply(np.asarray(homography, np.float64), at) - straight).T).max()) * camera.fx
        if off <= most:
            raise ReadError(
                where,
                f"the lens file is not that of this picture: points fit to {{off:number.1}} pixels {way}",
                needed="points within {most:number} pixels of their places through the lens",
                remedy="Give the file of this lens at this focus, or calibrate with {run:calibrate}",
                off=share(off),
                most=share(most),
            )


def _camera_place(where: object, straight: Array, at: Array, pixel: float) -> tuple[Array, Array]:
    """Where the camera stands (3,) and how it is turned (3, 3) against the wall."""
    import cv2

    on_wall = np.column_stack([at, np.zeros(len(at))])
    done, turn, shift = cv2.solvePnP(on_wall, straight, np.eye(3), None, flags=cv2.SOLVEPNP_SQPNP)
    if done:
        done, turn, shift = cv2.solvePnP(
            on_wall, straight, np.eye(3), None, turn, shift, True, flags=cv2.SOLVEPNP_ITERATIVE
        )
    rotation = cv2.Rodrigues(turn)[0]
    place = (-rotation.T @ shift).ravel()
    shown = on_wall @ rotation.T + shift.T
    off = np.hypot(*(shown[:, :2] / shown[:, 2:] - straight).T) * pixel
    # a flat set of points has a second, mirrored answer behind the wall: never taken
    limit = max(2 * _MOST_OFF_PIXELS, 0.004 * float(np.ptp(straight, axis=0).max()) * pixel)
    if not done or place[2] <= 0 or off.max() > limit:
        raise ReadError(
            where,
            "the camera's place does not follow from the targets ({off:number.1} pixels off)",
            needed="the lens's calibration and targets all around the wall",
            remedy="Calibrate with {run:calibrate}, or tape the camera's place",
            off=share(off.max()),
        )
    return np.asarray(place, np.float64), np.asarray(rotation, np.float64)


@dataclass(frozen=True, eq=False)
class LaserPlane:
    """The plane n . p = c that a fan of light fills, in wall coordinates [m]; ``pivot`` (3,), if known, lies in it."""

    normal: Array
    distance: float
    pivot: Array | None

    @classmethod
    def through(cls, pivot: Array, foot: Array, along: Array) -> LaserPlane:
        """The plane through the laser's pivot (3,) and a line on the wall through ``foot`` (2,) in direction (2,)."""
        one = np.append(foot, 0.0)
        return cls.through_points(pivot, one, one + np.append(along, 0.0))

    @classmethod
    def in_room(cls, normal: Array, distance: float, view: View) -> LaserPlane:
        """A plane n . p = c given in the camera's axes, for a camera whose place and turn are known."""
        assert view.turn is not None
        assert view.place is not None
        turned = view.turn.T @ normal
        sign = -1.0 if turned[np.abs(turned[:2]).argmax()] < 0 else 1.0
        return cls(sign * turned, sign * (distance + float(turned @ view.place)), None)

    @classmethod
    def through_points(cls, pivot: Array, one: Array, other: Array) -> LaserPlane:
        """The plane through the laser's pivot and two points, each (3,) [m]."""
        normal = np.cross(other - one, one - pivot)
        size = float(np.linalg.norm(normal))
        if size < 1e-6:
            raise BadValue(
                "laser",
                "its pivot lies on the line on the wall",
                needed="a laser that stands off the wall",
                remedy="Measure the pivot's distance from the wall",
            )
        # one sense for all planes, so that a bow to the right is the same bow wherever the laser stands
        normal = normal / (-size if normal[np.abs(normal[:2]).argmax()] < 0 else size)
        return cls(normal, float(normal @ pivot), pivot)

    def heights(self, view: View, seen: Array, bow: Array | float = 0.0) -> Array:
        """Height (n,) [m] over the wall's plane, + toward the room, of light seen at ``seen`` (n, 2) on the plane.

        The ray from the camera C through p' meets the plane n . p = c at C + t (p' - C), t = (c - n . C) / n . (p' -
        C), and the height is D (1 - t): the exact relation of methods/laser-line 1 for any plane of light. ``bow`` (n,)
        [m] is how far the light there stands off the plane along its normal.
        """
        centre = np.zeros(3) if view.place is None else view.place
        ray = np.column_stack([seen, np.zeros(len(seen))]) - centre
        reach = (self.distance + bow - self.normal @ centre) / (ray @ self.normal)
        height: Array = centre[2] * (1 - reach)
        return height

    def true_places(self, view: View, seen: Array, heights: Array) -> Array:
        """Where on the wall (n, 2) [m] the light really is: y = Yc + (y' - Yc) (D - h) / D, and so for x."""
        centre = np.zeros(3) if view.place is None else view.place
        places: Array = centre[:2] + (seen - centre[:2]) * ((centre[2] - heights) / centre[2])[:, None]
        return places

    def sensitivity(self, view: View, at: Array) -> float:
        """How far the light seen moves across its line per height of the wall, at a place (2,).

        See S of methods/laser-line 2.
        """
        centre = np.zeros(3) if view.place is None else view.place
        flat = self.normal[:2] / max(float(np.hypot(*self.normal[:2])), 1e-12)
        step = 1e-4
        near, far = (at + flat * way * step for way in (-1, 1))
        change = self.heights(View(view.camera, view.to_wall, centre, view.pixel, view.off), np.stack([near, far]))
        return abs(2 * step / float(change[1] - change[0])) if change[1] != change[0] else np.inf


def refuse_degenerate(where: object, view: View, plane: LaserPlane, at: Array) -> float:
    """The sensitivity at a place (2,) of the line; raises `BadValue` for set-ups that cannot measure, with why."""
    if view.place is None:
        raise BadValue(
            where,
            "the camera's place is not known",
            needed="a calibration of its lens, or its place taped",
            remedy="Give [camera] file or place",
        )
    if plane.pivot is not None and plane.pivot[2] < NEAREST_LASER:
        raise BadValue(
            where,
            "the laser stands {off:length} off the wall",
            needed="at least {least:length}: nearer, its taped distance decides everything",
            remedy="Move the laser off the wall",
            off=metres(plane.pivot[2]),
            least=metres(NEAREST_LASER),
        )
    sensitivity = plane.sensitivity(view, at)
    if sensitivity < LEAST_SENSITIVITY:
        in_plane = abs(float(plane.normal @ view.place) - plane.distance) < 0.1 * view.place[2]
        why = "the camera stands in the laser's plane" if in_plane else "the light falls square on the wall"
        raise BadValue(
            where,
            f"{why}: a hump moves the line by only {{moved:number.2}} of its height",
            needed="at least {least:number}, better 2 to 3",
            remedy="Put the camera on the other side of the line from the laser, the laser at a slant of 15-35 degrees",
            moved=share(sensitivity),
            least=share(LEAST_SENSITIVITY),
        )
    return sensitivity


@dataclass(frozen=True, eq=False)
class Bow:
    """Sideways bend of a fan per metre of level distance, a polynomial in the slope of its rays."""

    coefficients: Array
    low: float
    high: float
    axis: int

    def at(self, seen: Array, pivot: Array) -> Array:
        """Sideways stand-off (n,) [m] of the light seen at places (n, 2) for a laser at ``pivot`` (3,)."""
        across = np.hypot(np.median(seen[:, self.axis]) - pivot[self.axis], pivot[2])
        slope = np.clip((seen[:, 1 - self.axis] - pivot[1 - self.axis]) / across, self.low, self.high)
        off: Array = np.polynomial.polynomial.polyval(slope, self.coefficients) * across
        return off


def bow_of(seen: Array, pivot: Array, *, level: bool, where: Path) -> Bow:
    """The bend that light thrown square on the wall, seen at places (n, 2), shows; its tilt and place are the set-up's.

    Light square to the wall does not move with the wall's heights, so what is not straight is the fan
    (methods/laser-line 7).
    """
    axis = 1 if level else 0
    if len(seen) < _FEWEST_PLACES:
        raise ReadError(
            where,
            "{places} places on the line for straightness",
            needed="at least {least}",
            remedy="Photograph the whole line",
            places=len(seen),
            least=_FEWEST_PLACES,
        )
    slope = (seen[:, 1 - axis] - pivot[1 - axis]) / pivot[2]
    sideways = seen[:, axis] / pivot[2]
    coefficients = np.polynomial.polynomial.polyfit(slope, sideways, _DEGREE)
    ends = float(slope.min()), float(slope.max())
    bend = np.asarray(coefficients, float).copy()
    # level and tilt are taken out over the part of the fan that was seen
    line = np.polynomial.polynomial.polyfit(slope, np.polynomial.polynomial.polyval(slope, bend), 1)
    bend[:2] -= line
    return Bow(bend, *ends, axis)
