"""The frozen types that stages exchange.

Metres and radians, float64. Seen standing in the room facing the wall: x to the right from the left edge, y up from
the lowest edge, z toward the room (proud is positive). Arrays are ``[up, along]``, row 0 at the bottom. Missing is
NaN. ``u`` is a standard uncertainty (k = 1); the random part and the common part stay apart. None is "not known".
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field, fields
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from flatscan.core.aside import Aside
from flatscan.core.geometry import Array, Frame, Mask, Rectangle, polygon_area
from flatscan.core.holes import InPocket, Opening, Plumb, WallObject
from flatscan.core.independence import Independence
from flatscan.core.level_parts import LevelStep, WallPart
from flatscan.core.notes import Note, Place
from flatscan.core.photographed import Photographed
from flatscan.core.settled import Settled
from flatscan.core.warp import CommonError

Counts = NDArray[np.int64]
# a phone's gravity is good to 0.1-0.3 degrees (methods/uncertainty 9); the middle of that as k = 1
PHONE_GRAVITY = 3.5e-3


def _own_arrays(record: object) -> None:
    """Give a frozen record its own read-only copies of its arrays, so no stage can change another's numbers."""
    for item in fields(record):  # type: ignore[arg-type]
        value = getattr(record, item.name)
        if isinstance(value, np.ndarray) and value.flags.writeable:
            own = value.copy()
            own.setflags(write=False)
            object.__setattr__(record, item.name, own)


@dataclass(frozen=True, slots=True)
class Member:
    """One of the captures that are one: its file, hash and number of points."""

    file: str
    sha256: str
    points: int


@dataclass(frozen=True, slots=True)
class Origin:
    """Where the numbers come from; travels unchanged to the sheets.

    ``kind`` is the capture type that the reader itself implies, empty where a file may have been made in any way.
    ``files`` are those of a capture that was put together from several, ``captured`` is when the file itself says that
    it was measured, in words, empty where it does not.
    """

    file: str
    sha256: str
    reader: str
    file_unit: str
    points: int
    warnings: tuple[Note, ...] = ()
    kind: str = ""
    files: tuple[Member, ...] = ()
    captured: str = ""


@dataclass(frozen=True, slots=True)
class SweptWall:
    """The wall that lines of light were swept over, as its set-up gives it: points stand in its own coordinates.

    ``width``, ``height`` [m] from its lower left corner, its ``name``; ``common`` is what the sweep's own budget holds,
    ``apart`` [m] how far lines lie from each other, ``independent`` how many returns each point stands for, ``scatter``
    [m] how far single points are off, ``u_lean`` [m per m] how plumb its upright is, None where that is not known.
    """

    width: float
    height: float
    name: str
    common: CommonError
    apart: float
    independent: float
    scatter: float
    u_lean: float | None


@dataclass(frozen=True, eq=False)
class Cloud:
    """A capture of points: an evenly drawn ``sample`` (n, 3) to find things in, and ``chunks()`` to stream them all.

    Both are in metres after ``shift`` (3,) [m, file axes] was subtracted in float64. ``chunks`` may be called any
    number of times and yields (m, 3) float64 arrays of finite points in one fixed order. ``u_step`` is the
    uncertainty of the file's own rounding (step / sqrt 12) along each axis. ``up`` is the direction against gravity
    if the format or the file says so, ``up_from`` says which. ``stands`` (k, 3) are scanner positions and
    ``sample_normals`` (n, 3) the sample's outward normals; both None if the file does not tell.
    ``independent_share`` is how many independent returns each point stands for (1 for raw returns, less for
    fused or meshed data; methods/uncertainty 3), ``drawn`` marks points on a mesh or a fused depth
    map. ``u_up`` [m per m] is how well the capture knows its own vertical.
    ``unit`` says how the file's unit was settled, ``sample_colours`` (n, 3) are red, green and blue of the sample from
    0 to 255; None where nobody looked, or the file has none.
    ``members`` are the captures it was put together from, in the same shift; none for one capture. ``swept`` is the
    wall of swept lines, ``photographed`` what photos of a wall share of their error; None for all other captures.
    """

    origin: Origin
    sample: Array
    chunks: Callable[[], Iterator[Array]]
    count: int
    shift: Array
    u_step: Array
    up: Array | None = None
    up_from: Note | None = None
    stands: Array | None = None
    sample_normals: Array | None = None
    independent_share: float = 1.0
    drawn: bool = False
    u_up: float = PHONE_GRAVITY
    unit: Settled | None = None
    sample_colours: NDArray[np.uint8] | None = None
    members: tuple[Cloud, ...] = ()
    swept: SweptWall | None = None
    photographed: Photographed | None = None

    def __post_init__(self) -> None:
        _own_arrays(self)


@dataclass(frozen=True, eq=False)
class Readings:
    """Laser readings at stations: ``x``, ``y`` (n,) on the wall, ``offset`` (n,) proud-positive from the laser plane.

    ``u`` [m] is the standard uncertainty of one reading. ``width`` and ``height`` are None where the file gives no
    size. ``missing`` (m, 2) are stations named but not read, ``name`` the user's own words for the wall.
    ``u_lean`` [m per m] is how plumb what they are measured from is, where that is not what their kind has. ``highs``
    counts the stations that are high spots which a straightedge swept over the wall found, the last of all.
    ``openings``, ``pockets`` and ``skips`` are rectangles (left, bottom, right, top) and ``fixed`` points (x, y,
    offset) that the face must meet, all as the table names them. ``proud_when_big``: a big reading means proud, not
    hollow. ``control`` is the first station's offset as it was read first of all, None where nobody wrote it down.
    """

    origin: Origin
    x: Array
    y: Array
    offset: Array
    u: float
    width: float | None = None
    height: float | None = None
    missing: Array = field(default_factory=lambda: np.empty((0, 2)))
    name: str = ""
    u_lean: float | None = None
    highs: int = 0
    openings: tuple[Rectangle, ...] = ()
    pockets: tuple[Rectangle, ...] = ()
    skips: tuple[Rectangle, ...] = ()
    fixed: tuple[tuple[float, float, float], ...] = ()
    proud_when_big: bool = False
    control: float | None = None

    def __post_init__(self) -> None:
        _own_arrays(self)


@dataclass(frozen=True, eq=False)
class Wall:
    """One wall: its frame, its outline (k, 2) counter-clockwise in wall coordinates, and its openings.

    ``share`` is its part of the capture's points. ``up_from`` and ``facing_from`` say how up and the room side are
    known. ``slab`` [m] is how far from the fitted plane points still belong to its surface. ``full`` (k, 2) is the
    outline corner to corner where strips at corners or a skirting were left out of ``outline``, the part measured;
    width, height and gross area are the full wall's. ``skirting`` [m] is how far up from the full outline's foot a
    skirting board covers the wall, 0 without one. ``objects`` are what stands before it, by number. ``seen_share`` is
    about which share of its net area holds points, None where nobody looked. A wall on several levels is found as so
    many parts, each like a wall: ``part`` is its letter, ``parts`` are all of them, ``steps`` what lies between them.
    ``pockets`` are chases that are filled first and priced apart, ``skips`` parts that are not to be plastered.
    """

    number: int
    frame: Frame
    outline: Array
    openings: tuple[Opening, ...]
    share: float
    up_from: Note
    facing_from: Note
    plumb: Plumb
    slab: float = 0.05
    notes: tuple[Note, ...] = ()
    full: Array | None = None
    objects: tuple[WallObject, ...] = ()
    skirting: float = 0.0
    seen_share: float | None = None
    part: str = ""
    parts: tuple[WallPart, ...] = ()
    steps: tuple[LevelStep, ...] = ()
    pockets: tuple[Opening, ...] = ()
    skips: tuple[Opening, ...] = ()

    def __post_init__(self) -> None:
        _own_arrays(self)

    @property
    def cut_out(self) -> tuple[Opening, ...]:
        """All that takes no coat of the wall's own: openings, pockets and parts not to be plastered."""
        return (*self.openings, *self.pockets, *self.skips)

    @property
    def name(self) -> str:
        """Number and, on a wall of several levels, the part's letter."""
        return f"{self.number}{self.part}"

    @property
    def whole(self) -> Array:
        """The outline corner to corner (k, 2), strips included."""
        return self.outline if self.full is None else self.full

    @property
    def width(self) -> float:
        """Extent of the wall along [m]."""
        return float(np.ptp(self.whole[:, 0]))

    @property
    def height(self) -> float:
        """Extent of the wall up [m]."""
        return float(np.ptp(self.whole[:, 1]))

    @property
    def gross_area(self) -> float:
        """Area of the wall, openings included [m2]."""
        return polygon_area(self.whole)


@dataclass(frozen=True, eq=False)
class Relief(ABC):
    """The waist of the house: offsets of the wall from its frame's plane, with their uncertainty.

    Two bodies (`flatscan.core.reliefs`): `Grid`, square cells side by side, and `Stations`, readings at free places.
    Whoever reads a relief asks what it can tell, not which of the two it is. All arrays are (rows, cols) =
    [up, along]. ``offset`` is NaN where nothing was measured. ``u`` is the random standard uncertainty. ``inside``
    marks places on the outline less openings; ``area`` is the area each owns [m2]. ``x`` (cols,) and ``y`` (rows,)
    are where they stand. ``u_point`` [m] is the scatter of single points.
    """

    x: Array
    y: Array
    offset: Array
    u: Array
    count: Counts
    inside: Mask
    area: Array
    common: CommonError
    u_point: float | None = None

    def __post_init__(self) -> None:
        _own_arrays(self)

    @cached_property
    def valid(self) -> Mask:
        """Places that were measured and count: finite, on the outline, not in an opening."""
        return np.isfinite(self.offset) & self.inside

    @property
    def covered_share(self) -> float:
        """Measured part of the net area and of what was set aside by hand, by area."""
        whole = self.wall_area
        return float(self.area[self.valid].sum()) / whole if whole > 0 else 0.0

    @property
    def wall_area(self) -> float:
        """Area of the outline less openings [m2], those somebody drew over measured wall not taken off."""
        return self.net_area + sum(part.area for part in self.aside)

    @property
    def net_area(self) -> float:
        """Area of the outline less openings [m2]."""
        return float(self.area[self.inside].sum())

    @cached_property
    def places(self) -> tuple[Array, Array]:
        """x and y of every place, each (rows, cols)."""
        across, upward = np.meshgrid(self.x, self.y)
        return across, upward

    @property
    @abstractmethod
    def known_between(self) -> bool:
        """Whether the places stand side by side, so that the wall between them is known as well."""

    @property
    @abstractmethod
    def step(self) -> float:
        """How wide a place is, and how far it is to the next [m]; 0 where places have no width of their own."""

    @property
    def grain(self) -> float | None:
        """`step` as it is said [m], None where places have no width."""
        return self.step or None

    @property
    @abstractmethod
    def laser(self) -> float | None:
        """z of the laser plane the offsets were read from [m], None where they were not."""

    @property
    @abstractmethod
    def smoothed_over(self) -> float:
        """Width of the local quadratic the offsets were smoothed with [m], 0 where they were not."""

    # what only cells can be: smoothed, with residuals that tell what that hid
    window = 1
    hidden = 0
    hidden_at: tuple[Place, ...] = ()
    # wall that was measured and lies in openings somebody drew
    aside: tuple[Aside, ...] = ()
    # what was measured in chases that are filled first and priced apart
    pocketed: tuple[InPocket, ...] = ()
    # how far two surfaces lie apart where captures of the wall do not meet [m]
    doubled: float | None = None
    # how many of the places are high spots that a straightedge found
    highs: int = 0
    # the wall as measured (rows, cols) [m] within the outlines of humps that are taken as cut, NaN elsewhere
    uncut: Array | None = None

    @property
    def noise(self) -> Array | None:
        """One draw of the random error (rows, cols) [m], as its own readings show it; None where they show none."""
        return None

    # how points show that they repeat each other, None where they do not
    independence: Independence | None = None

    @property
    def smallest_feature(self) -> float | None:
        """Width [m] of the narrowest feature shown at nearly its full height, None where nothing lies between."""
        return None

    def leaving_out(self, numbers: Collection[int]) -> Relief:  # noqa: ARG002
        """The relief with just these of its wall's objects left out: itself where nothing can stand before it."""
        return self

    @abstractmethod
    def connected(self, chosen: Mask) -> tuple[Counts, int]:
        """Labels 1..n (rows, cols) of the connected groups of chosen places, 0 elsewhere, and how many there are."""

    @abstractmethod
    def size_of(self, row: Counts, col: Counts) -> tuple[float, float]:
        """Width and height [m] of places at rows and columns (n,): cells count whole, stations by their middles."""

    @abstractmethod
    def ground_of(self, row: Counts, col: Counts) -> tuple[float, float]:
        """`size_of` with the ground around each place that stands for it [m]."""

    @abstractmethod
    def value_at(self, x: float, y: float) -> tuple[float, float] | None:
        """Offset and its random u [m] behind a dot at x, y; None where nothing was measured there."""

    @abstractmethod
    def beside(self, x: float, y: float, reach: float) -> Mask:
        """Measured places (rows, cols) that tell what the wall is like beside x, y, ``reach`` [m] around it."""

    @abstractmethod
    def columns_near(self, x: float, reach: float) -> Mask:
        """Columns (cols,) that tell what the wall is like along an upright at x, ``reach`` [m] to both sides."""

    @abstractmethod
    def laid_on(self, other: Relief, turn: Array, shift: Array) -> tuple[Array, Array]:
        """Offsets and u (rows, cols) [m] of this relief at the places of another; NaN where it was not measured.

        ``turn`` (3, 3) and ``shift`` (3,) [m] bring its coordinates into the other's.
        """

    @abstractmethod
    def slope_of(self, values: Array) -> Array:
        """Steepness (rows, cols) [m per m] of a map of heights on these places, 0 where it cannot be told."""

    @abstractmethod
    def profile_along(self, start: Place, end: Place) -> tuple[Array, Array]:
        """Distances (n,) from ``start`` [m] along a line, one step apart, and the wall's offsets (n,) there [m].

        Raises `BadValue` where nothing is known between places.
        """
