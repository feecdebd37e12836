"""Rooms and walls of known truth, scanned by ray casting: `build_room`, `build_wall` and the truth they state.

Used by the tests and by the maker of the sample clouds. The measured wall's shape is a formula, so every number of
the truth can be had to any accuracy: `Shape.offset(x, y)` is how far the wall stands proud of the vertical plane
through its foot, in metres, x to the right and y up as seen from the room.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

Box = tuple[float, float, float, float, float, float]
STEP = 0.02


@dataclass(frozen=True)
class Level:
    """A band of a wall on another level: from ``low`` to ``high`` [m] along ``axis`` (0: along, 1: up).

    It stands ``step`` [m] proud of the rest at its lower edge and leans by ``lean`` of its own.
    """

    axis: int
    low: float
    high: float
    step: float
    lean: float = 0.0


@dataclass(frozen=True)
class Shape:
    """A wall's true offsets [m]: lean (slope), belly along and up (sagitta), and round humps (x, y, height, sd).

    ``levels`` are bands that stand on a level of their own; the bellies go on over them, the lean does not.
    """

    width: float
    height: float
    lean: float = 0.0
    belly_along: float = 0.0
    belly_up: float = 0.0
    humps: tuple[tuple[float, float, float, float], ...] = ()
    levels: tuple[Level, ...] = ()

    def offset(self, x, y, at=None):
        """Offset [m] toward the room at x, y [m]; ``at`` (x, y) says whose level goes on where that is not theirs."""
        z = self.lean * y
        for level in self.levels:
            where = (x, y)[level.axis] if at is None else at[level.axis]
            foot = level.low if level.axis == 1 else 0.0
            own = self.lean * foot + level.step + level.lean * (y - foot)
            z = np.where((where >= level.low) & (where < level.high), own, z)
        z = z + self.belly_along * (1 - (2 * x / self.width - 1) ** 2)
        z = z + self.belly_up * (1 - (2 * y / self.height - 1) ** 2)
        for at_x, at_y, proud, sd in self.humps:
            z = z + proud * np.exp(-((x - at_x) ** 2 + (y - at_y) ** 2) / (2 * sd**2))
        return z


@dataclass(frozen=True)
class Plan:
    """A room: ``shape`` of the measured wall, ``depth`` [m] of the room, and what stands in and on it.

    ``openings`` are (left, bottom, width, height, reveal) in the measured wall, with a reveal that deep and, where it
    is a door (bottom 0), a corridor behind. ``boxes`` are furniture (x0, y0, z0, x1, y1, z1) in wall coordinates,
    ``pipes`` (x, radius, off) stand from floor to ceiling that far off the wall, ``skirting`` is (thickness, height)
    or None, ``sockets`` are plates (left, bottom, size) 9 mm proud. ``far_opening`` (left, bottom, width, height) lies
    in the wall opposite, seen from the measured wall's left, and shows the sky. ``stands`` are scanner positions in
    wall coordinates.
    """

    shape: Shape
    depth: float = 3.5
    openings: tuple[tuple[float, float, float, float, float], ...] = ()
    boxes: tuple[Box, ...] = ()
    pipes: tuple[tuple[float, float, float], ...] = ()
    skirting: tuple[float, float] | None = None
    sockets: tuple[tuple[float, float, float], ...] = ()
    far_opening: tuple[float, float, float, float] | None = None
    floor: bool = True
    ceiling: bool = True
    stands: tuple[tuple[float, float, float], ...] = ((1.2, 1.4, 1.8), (3.0, 1.5, 2.4))


BARE = Plan(Shape(4.0, 2.5, lean=0.004, humps=((1.3, 1.4, 0.006, 0.18),)))
FURNISHED = Plan(
    Shape(4.2, 2.5, lean=0.0035, belly_along=0.004, humps=((1.8, 1.5, 0.007, 0.15), (3.9, 1.2, 0.005, 0.15))),
    depth=2.8,
    openings=((0.5, 0.0, 0.85, 2.05, 0.10), (2.4, 0.9, 1.2, 1.1, 0.15)),
    boxes=((1.5, 0.0, 0.12, 2.2, 0.75, 0.55), (3.4, 0.0, 1.5, 4.0, 0.9, 2.3)),
    pipes=((4.05, 0.011, 0.045),),
    skirting=(0.015, 0.10),
    far_opening=(1.2, 0.0, 2.4, 2.1),
)


@dataclass(frozen=True)
class Pose:
    """How the room lies in the file: turned by ``yaw`` [rad] about the vertical, moved, with file axis ``up``."""

    yaw: float = np.radians(25.0)
    move: tuple[float, float, float] = (0.0, 0.0, 0.0)
    up: str = "z"

    def axes(self) -> np.ndarray:
        """Rows: the file directions of the wall's x (right), y (up) and z (toward the room)."""
        c, s = np.cos(self.yaw), np.sin(self.yaw)
        along, up, out = np.array([[c, s, 0], [0, 0, 1.0], [s, -c, 0]])
        order = {"z": [0, 1, 2], "y": [1, 2, 0], "x": [2, 0, 1]}[self.up[-1]]
        rows = np.stack([along, up, out])[:, order]
        if self.up.startswith("-"):
            flip = np.ones(3)
            flip["xyz".index(self.up[-1])] = -1
            flip[("xyz".index(self.up[-1]) + 1) % 3] = -1  # two signs, so that the file stays right-handed
            rows = rows * flip
        return rows

    def to_file(self, points: np.ndarray) -> np.ndarray:
        """Wall coordinates (n, 3) in the file's axes."""
        return points @ self.axes() + np.asarray(self.move)


@dataclass
class _Scene:
    vertices: list = field(default_factory=list)
    triangles: list = field(default_factory=list)
    count: int = 0

    def add(self, vertices, triangles):
        self.vertices.append(np.asarray(vertices, float))
        self.triangles.append(np.asarray(triangles, int) + self.count)
        self.count += len(vertices)

    def rectangle(self, corner, one, two):
        a, one, two = (np.asarray(v, float) for v in (corner, one, two))
        self.add([a, a + one, a + one + two, a + two], [[0, 1, 2], [0, 2, 3]])

    def box(self, low, high):
        low, high = np.asarray(low, float), np.asarray(high, float)
        size = np.diag(high - low)
        for i in range(3):
            one, two = size[(i + 1) % 3], size[(i + 2) % 3]
            self.rectangle(low, one, two)
            self.rectangle(low + size[i], one, two)


def _wall_mesh(scene: _Scene, plan: Plan) -> None:
    """The measured wall as a fine mesh less its openings; its lines run exactly through their edges."""
    shape = plan.shape
    lines = []
    for axis, extent in ((0, shape.width), (1, shape.height)):
        cuts = [0.0, extent]
        for opening in plan.openings:
            cuts += [opening[axis], opening[axis] + opening[axis + 2]]
        for level in shape.levels:
            cuts += [level.low, level.high] if level.axis == axis else []
        cuts = np.unique(np.clip(cuts, 0, extent))
        parts = [
            np.linspace(a, b, max(2, int(np.ceil((b - a) / STEP)) + 1)) for a, b in zip(cuts, cuts[1:], strict=False)
        ]
        lines.append(np.unique(np.concatenate(parts).round(9)))
    x, y = np.meshgrid(*lines)
    middle = (x[:-1, :-1] + x[1:, 1:]) / 2, (y[:-1, :-1] + y[1:, 1:]) / 2
    solid = np.ones(middle[0].shape, bool)
    for left, bottom, width, height, _ in plan.openings:
        inside = (middle[0] > left) & (middle[0] < left + width) & (middle[1] > bottom) & (middle[1] < bottom + height)
        solid &= ~inside
    if shape.levels:
        _stepped_mesh(scene, shape, (x, y), middle, solid)
        return
    number = np.arange(x.size).reshape(x.shape)
    a, b, c, d = (part[solid] for part in (number[:-1, :-1], number[:-1, 1:], number[1:, 1:], number[1:, :-1]))
    z = shape.offset(x, y)
    scene.add(
        np.stack([x, y, z], axis=-1).reshape(-1, 3), np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    )


def _stepped_mesh(scene: _Scene, shape: Shape, lines, middle, solid) -> None:
    """The same of a wall on levels: every square has corners of its own, and risers close the steps."""
    x, y = lines
    ways = (slice(None, -1), slice(1, None))
    square = [(x[i, j][solid], y[i, j][solid]) for i, j in ((ways[0], ways[0]), (ways[0], ways[1]),
                                                           (ways[1], ways[1]), (ways[1], ways[0]))]  # fmt: skip
    at = (middle[0][solid], middle[1][solid])
    corners = [np.stack([a, b, shape.offset(a, b, at)], axis=1) for a, b in square]
    count = len(at[0])
    number = np.arange(4 * count).reshape(4, count)
    triangles = np.concatenate([number[[0, 1, 2]].T, number[[0, 2, 3]].T])
    scene.add(np.concatenate(corners), triangles)
    for level in shape.levels:
        for edge in (level.low, level.high):
            extent = (shape.width, shape.height)
            if 0 < edge < extent[level.axis]:
                _riser(scene, shape, level.axis, edge, extent[1 - level.axis])


def _riser(scene: _Scene, shape: Shape, axis: int, edge: float, length: float) -> None:
    """What closes a step: from the level before the edge to the level after it, all along."""
    along = np.linspace(0.0, length, max(2, int(length / 0.1)))
    there = np.full_like(along, edge)
    place = (there, along) if axis == 0 else (along, there)
    sides = []
    for side in (-1e-6, 1e-6):
        at = (there + side, along) if axis == 0 else (along, there + side)
        sides.append(np.stack([*place, shape.offset(*place, at)], axis=1))
    count = len(along)
    a = np.arange(count - 1)
    triangles = np.concatenate([np.stack([a, a + 1, a + count + 1], 1), np.stack([a, a + count + 1, a + count], 1)])
    scene.add(np.concatenate(sides), triangles)


def _scene(plan: Plan) -> _Scene:
    scene = _Scene()
    width, height, depth = plan.shape.width, plan.shape.height, plan.depth
    _wall_mesh(scene, plan)
    _far_wall(scene, plan)
    # the side walls start 60 mm behind the plane, so that a wall out of plumb still meets them
    for x in (0.0, width):
        scene.rectangle((x, 0, -0.06), (0, height, 0), (0, 0, depth + 0.06))
    if plan.floor:
        scene.rectangle((0, 0, -0.06), (width, 0, 0), (0, 0, depth + 0.06))
    if plan.ceiling:
        scene.rectangle((0, height, -0.06), (width, 0, 0), (0, 0, depth + 0.06))
    for left, bottom, wide, tall, reveal in plan.openings:
        _opening(scene, left, bottom, wide, tall, reveal)
    for box in plan.boxes:
        scene.box(box[:3], box[3:])
    for x, radius, off in plan.pipes:
        scene.box((x - radius, 0, off - radius), (x + radius, height, off + radius))
    for x, y, size in plan.sockets:
        scene.box((x, y, -0.02), (x + size, y + size, float(plan.shape.offset(x, y)) + 0.009))
    if plan.skirting is not None:
        _skirting(scene, plan)
    return scene


def _opening(scene: _Scene, left, bottom, wide, tall, reveal) -> None:
    """Reveals round an opening and, behind a door, the far wall and floor of a corridor. A window shows the sky."""
    for x in (left, left + wide):
        scene.rectangle((x, bottom, -reveal), (0, tall, 0), (0, 0, reveal))
    for y in (bottom, bottom + tall):
        scene.rectangle((left, y, -reveal), (wide, 0, 0), (0, 0, reveal))
    if bottom == 0:
        scene.rectangle((left - 0.7, 0, -reveal - 1.2), (wide + 1.4, 0, 0), (0, 2.4, 0))
        scene.rectangle((left - 0.7, -0.001, -reveal - 1.2), (wide + 1.4, 0, 0), (0, 0, 1.2))


def _far_wall(scene: _Scene, plan: Plan) -> None:
    """The wall opposite: whole, or in four parts about its opening, with reveals 120 mm deep."""
    width, height, depth = plan.shape.width, plan.shape.height, plan.depth
    left, bottom, wide, tall = plan.far_opening or (0.0, 0.0, 0.0, 0.0)
    right, top = left + wide, bottom + tall
    parts = ((0, 0, left, height), (right, 0, width, height), (left, 0, right, bottom), (left, top, right, height))
    for x0, y0, x1, y1 in parts:
        if x1 > x0 and y1 > y0:
            scene.rectangle((x0, y0, depth), (x1 - x0, 0, 0), (0, y1 - y0, 0))
    if plan.far_opening is not None:
        for x in (left, right):
            scene.rectangle((x, bottom, depth), (0, tall, 0), (0, 0, 0.12))
        for y in (bottom, top):
            scene.rectangle((left, y, depth), (wide, 0, 0), (0, 0, 0.12))


def _skirting(scene: _Scene, plan: Plan) -> None:
    """Lengths of skirting between the doors, fixed against the wall at its foot."""
    thick, tall = plan.skirting
    doors = sorted((o[0], o[0] + o[2]) for o in plan.openings if o[1] == 0)
    starts = [0.0, *(right for _, right in doors)]
    stops = [*(left for left, _ in doors), plan.shape.width]
    for start, stop in zip(starts, stops, strict=True):
        if stop - start > 0.02:
            scene.box((start, 0, -0.05), (stop, tall, float(plan.shape.offset((start + stop) / 2, tall / 2)) + thick))


def _rays(stand, plan: Plan, count: int, focus: float, rng) -> np.ndarray:
    """Directions (count, 3): a share ``focus`` even over the measured wall, the rest even over the sphere."""
    aimed = int(round(focus * count))
    target = np.stack(
        [rng.uniform(0, plan.shape.width, aimed), rng.uniform(0, plan.shape.height, aimed), np.zeros(aimed)], 1
    )
    around = rng.normal(size=(count - aimed, 3))
    rays = np.concatenate([target - stand, around])
    return rays / np.linalg.norm(rays, axis=1, keepdims=True)


def scan(plan: Plan, *, points: int, noise: float, focus: float, mixed: float, seed: int) -> np.ndarray:
    """About ``points`` hits (n, 3) in wall coordinates from all stands, with range noise and mixed pixels.

    A mixed pixel lies between the first surface and what is behind it: a ray whose close neighbour (0.2 degrees off)
    hits over 50 mm further on is, for a share ``mixed`` of such rays, put at a random depth between the two.
    """
    import open3d as o3d

    rng = np.random.default_rng(seed)
    built = _scene(plan)
    caster = o3d.t.geometry.RaycastingScene()
    caster.add_triangles(
        o3d.core.Tensor(np.concatenate(built.vertices).astype(np.float32)),
        o3d.core.Tensor(np.concatenate(built.triangles).astype(np.uint32)),
    )
    hits = []
    for stand in plan.stands:
        at = np.asarray(stand, float)
        rays = _rays(at, plan, points // len(plan.stands), focus, rng)
        nudged = rays + rng.normal(scale=np.radians(0.2), size=rays.shape)
        reach, beside = (
            caster.cast_rays(o3d.core.Tensor(np.hstack([np.broadcast_to(at, way.shape), way]).astype(np.float32)))[
                "t_hit"
            ]
            .numpy()
            .astype(float)
            for way in (rays, nudged)
        )
        both = np.isfinite(reach) & np.isfinite(beside)
        gap = np.where(both, beside, 0.0) - np.where(both, reach, 0.0)
        smear = (np.abs(gap) > 0.05) & (rng.random(len(rays)) < mixed)
        reach = np.where(smear, reach + rng.random(len(rays)) * np.where(smear, gap, 0), reach)
        seen = np.isfinite(reach)
        reach = reach + rng.normal(scale=noise, size=len(reach))
        hits.append(at + reach[seen, None] * rays[seen])
    return np.concatenate(hits)


def truth(plan: Plan, pose: Pose) -> dict:
    """The numbers that are known: sizes, lean, openings (mm), the wall's offsets every 100 mm, and the file's up."""
    shape = plan.shape
    x, y = np.meshgrid(np.arange(0.05, shape.width, 0.1), np.arange(0.05, shape.height, 0.1))
    return {
        "width_mm": shape.width * 1000, "height_mm": shape.height * 1000, "depth_mm": plan.depth * 1000,
        "lean_mm_per_m": shape.lean * 1000, "belly_along_mm": shape.belly_along * 1000,
        "belly_up_mm": shape.belly_up * 1000,
        "humps": [
            {"x_mm": a * 1000, "y_mm": b * 1000, "proud_mm": h * 1000, "sd_mm": s * 1000} for a, b, h, s in shape.humps
        ],
        "openings": [
            {"left_mm": o[0] * 1000, "bottom_mm": o[1] * 1000, "width_mm": o[2] * 1000, "height_mm": o[3] * 1000}
            for o in plan.openings
        ],
        "gross_area_m2": shape.width * shape.height,
        "net_area_m2": shape.width * shape.height - sum(o[2] * o[3] for o in plan.openings),
        "up": pose.up, "seen_from_m": pose.to_file(np.array([plan.stands[0]]))[0].tolist(),
        "offsets_mm": (shape.offset(x, y) * 1000).round(4).tolist(),
    }  # fmt: skip


def build_room(
    seed: int,
    *,
    plan: Plan = FURNISHED,
    pose: Pose | None = None,
    points: int = 100_000,
    noise: float = 0.003,
    focus: float = 0.5,
    mixed: float = 0.5,
) -> tuple[np.ndarray, dict]:
    """A scanned room (n, 3) [m] in file coordinates, and its truth.

    ``noise`` [m] is the range noise (1 sd), ``focus`` the share of rays aimed at the measured wall, ``mixed`` the
    share of edge rays smeared in depth. The same seed gives the same points.
    """
    pose = pose or Pose()
    hits = scan(plan, points=points, noise=noise, focus=focus, mixed=mixed, seed=seed)
    return pose.to_file(hits), truth(plan, pose)


def build_wall(
    seed: int,
    *,
    shape: Shape = BARE.shape,
    pose: Pose | None = None,
    points: int = 100_000,
    noise: float = 0.002,
    openings: tuple[tuple[float, float, float, float], ...] = (),
    distance: float = 2.0,
    reveal: float = 0.0,
) -> tuple[np.ndarray, dict]:
    """A lone wall (n, 3) [m], evenly covered at random, ``distance`` [m] before the file's origin, and its truth.

    ``openings`` are (left, bottom, width, height); with a ``reveal`` [m] their sides are covered as densely as the
    wall, that deep.
    """
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, shape.width, points), rng.uniform(0, shape.height, points)
    keep = np.ones(points, bool)
    for left, bottom, width, height in openings:
        keep &= ~((x > left) & (x < left + width) & (y > bottom) & (y < bottom + height))
    x, y = x[keep], y[keep]
    place = np.stack([x, y, shape.offset(x, y) + rng.normal(scale=noise, size=len(x))], axis=1)
    if reveal > 0:
        density = points / (shape.width * shape.height)
        place = np.concatenate([place, *(_reveal_points(hole, reveal, density, noise, rng) for hole in openings)])
    plan = Plan(shape, openings=tuple((*opening, reveal) for opening in openings))
    pose = pose or Pose()
    middle = np.array([shape.width / 2, shape.height / 2, distance])
    return pose.to_file(place - middle), truth(plan, pose) | {"seen_from_m": list(pose.move)}


def _reveal_points(hole, depth: float, density: float, noise: float, rng) -> np.ndarray:
    """Points (n, 3) on the four sides of an opening, as dense as on the wall, with noise across them."""
    left, bottom, width, height = hole
    parts = []
    for axis, starts, length in ((0, (left, left + width), height), (1, (bottom, bottom + height), width)):
        for start in starts:
            count = int(density * length * depth)
            part = np.empty((count, 3))
            part[:, axis] = start + rng.normal(scale=noise, size=count)
            part[:, 1 - axis] = (bottom, left)[axis] + rng.uniform(0, length, count)
            part[:, 2] = -rng.uniform(0, depth, count)
            parts.append(part)
    return np.concatenate(parts)
