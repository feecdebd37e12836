"""Material systems: what their coats take, as ranges with sources, and what a site mix takes."""

from __future__ import annotations

import math
from dataclasses import dataclass

from flatscan.core.errors import BadValue
from flatscan.core.quantity import cubic_metres, metres, share

# low, high
Range = tuple[float, float]
# loose bulk density of cement [kg/m3], as the per-m3 tables of the trade imply: 479 kg at 1:3 and factor 1.33
CEMENT_DENSITY = 1440.0
SAND = "sand"
_HAIR = 1e-9
# how sure the values of a file are, the surest first: the first words of its sources
TAGS = ("printed", "derived", "common practice", "from memory")


def middle(of: Range) -> float:
    """The middle of a range, which is what is reckoned with."""
    return (of[0] + of[1]) / 2


@dataclass(frozen=True, slots=True)
class Mix:
    """Parts of sand to one of binder by volume, binder bag [kg], loose dry volume per volume placed (low, high).

    ``density`` is the binder's loose bulk density [kg/m3], ``binder`` what it is called in a shop.
    """

    sand: float
    bag: float
    dry_factor: Range
    density: float = CEMENT_DENSITY
    binder: str = "cement"

    @property
    def box(self) -> float:
        """Loose volume of one bag of binder [m3]: a gauge box that one bag fills."""
        return self.bag / self.density


@dataclass(frozen=True, slots=True)
class Coat:
    """One coat of a system; lengths in metres, ``rate`` in kg per m2 per metre of thickness (low, high).

    ``nominal`` is the thickness of a coat that follows the one under it everywhere (finish, top coat); None for a
    base coat, which takes up what the wall's shape asks for. ``most`` is the most in one pass, ``passes`` how many
    may follow each other before dubbing out is needed. ``product`` is what is ordered for it. ``wait`` [h] is the
    wait before the next coat, by ``wait_per_mm`` [h] where that goes by its thickness, ``use_within`` [h] how long a
    mix is good for, ``key_after`` [h] when it is firm enough to be keyed and ``set_time`` [h] when it sets, all
    (low, high); ``water`` (low, high) [litres] goes with a bag.
    """

    name: str
    product: str
    least: float
    most: float
    rate: Range
    bag: float | None
    nominal: float | None = None
    passes: int = 1
    water: Range | None = None
    wait: Range = (0.0, 0.0)
    wait_per_mm: Range | None = None
    set_time: Range | None = None
    use_within: Range | None = None
    key_after: Range | None = None
    mix: Mix | None = None

    @property
    def mean_rate(self) -> float:
        """Middle of the range of consumption [kg per m3]."""
        return middle(self.rate)

    @property
    def spread(self) -> float:
        """Half the range of what a volume placed takes, over its middle: of the bag, or of a site mix's dry volume."""
        low, high = self.rate if self.mix is None else self.mix.dry_factor
        return (high - low) / (high + low)

    @property
    def fills(self) -> Range | None:
        """Volume one bag fills on the wall (low, high) [m3], before waste; None where it is not sold by the bag."""
        if self.mix is not None:
            low, high = self.mix.dry_factor
            loose = self.mix.box * (1 + self.mix.sand)
            return loose / high, loose / low
        return None if self.bag is None else (self.bag / self.rate[1], self.bag / self.rate[0])

    def waits(self, thickness: float) -> Range:
        """Wait (low, high) [h] after a pass that is this thick [m] at its thickest."""
        if self.wait_per_mm is None:
            return self.wait
        low, high = self.wait_per_mm
        return low * thickness * 1e3, high * thickness * 1e3


@dataclass(frozen=True, slots=True)
class Dubbing:
    """Filling out deep places before the base coat: most per pass and in all [m]; ``wait`` None: as its coat's."""

    most: float
    in_all: float
    wait: Range | None


@dataclass(frozen=True, slots=True)
class Output:
    """What one person does in a day (low, high): base coat by area [m2] and by volume [m3], finish by area [m2]."""

    base_area: Range
    base_volume: Range
    finish_area: Range


@dataclass(frozen=True, slots=True)
class System:
    """A family of materials; ``coats`` from the wall outward, the last at the face. Lengths in metres, times in h.

    ``least`` is the least overall thickness anywhere. ``mesh_over`` is the thickness over which mesh goes in, None
    where none is called for. ``dry_per_mm`` are days of drying for each mm of build-up, ``paint_days`` those that pass
    whatever the thickness. ``cautions`` are codes of what its materials can do to people. ``sources`` say for each
    group of values where it was read: printed, common practice, derived or from memory.
    """

    name: str
    title: str
    coats: tuple[Coat, ...]
    dubbing: Dubbing | None
    least: float
    waste: float
    mesh_over: float | None
    not_on: tuple[str, ...]
    output: Output
    dry_per_mm: Range | None
    paint_after: str
    use_within: str
    cautions: tuple[str, ...]
    sources: tuple[tuple[str, str], ...]
    patch_reach: float | None = None
    paint_days: Range | None = None

    def source(self, group: str, coat: str = "") -> str:
        """Where a group of values was read, for that coat or for all of them; empty where the file is silent."""
        told = dict(self.sources)
        return told.get(f"{group}, {coat}", told.get(group, ""))

    def tag(self, group: str, coat: str = "") -> str:
        """How sure a group of values is, one of `TAGS`, the first words of its source."""
        return tag_of(self.source(group, coat)) or TAGS[-1]

    def drying(self, most: float) -> Range | None:
        """Whole days (low, high) until a build-up of ``most`` [m] may be painted; None where nothing tells.

        What goes by the thickness and what passes whatever it is run side by side.
        """
        spans = [] if self.paint_days is None else [self.paint_days]
        if self.dry_per_mm is not None:
            spans.append((self.dry_per_mm[0] * most * 1e3, self.dry_per_mm[1] * most * 1e3))
        # a hair over a whole day from rounding of floats is that day
        low, high = (math.ceil(max(span[end] for span in spans) - _HAIR) if spans else 0 for end in (0, 1))
        return (float(low), float(high)) if spans else None

    @property
    def base(self) -> Coat:
        """The coat that takes up the wall's shape."""
        return next(coat for coat in self.coats if coat.nominal is None)

    @property
    def last(self) -> float:
        """Thickness of the coat that follows the screeds [m], 0 where the coat that they guide goes to the face."""
        return self.coats[-1].nominal or 0.0

    @property
    def products(self) -> tuple[str, ...]:
        """Names of what is bought for it."""
        names = ((c.product,) if c.mix is None else (c.mix.binder, SAND) for c in self.coats)
        return tuple(dict.fromkeys(name for pair in names for name in pair))

    @property
    def constant(self) -> float:
        """Thickness of the coats that are the same everywhere [m]."""
        return sum(coat.nominal or 0.0 for coat in self.coats)

    @property
    def plain_reach(self) -> float:
        """Most overall thickness without dubbing out [m]."""
        return self.constant + self.base.most * self.base.passes

    @property
    def reach(self) -> float:
        """Most overall thickness with dubbing out [m]."""
        return self.plain_reach + (self.dubbing.in_all if self.dubbing else 0.0)


@dataclass(frozen=True, slots=True)
class Batch:
    """What a volume placed takes: loose dry volume [m3], cement or lime [kg], sand [m3]."""

    dry: float
    binder: float
    sand: float


def batch(volume: float, mix: Mix) -> Batch:
    """Binder and sand for so many m3 placed: dry = factor x volume, split 1 : sand by loose volume; factor its middle.

    Raises `BadValue` for a volume or mix under 0.
    """
    if volume < 0 or mix.sand <= 0 or mix.dry_factor[0] <= 0:
        raise BadValue(
            "mix",
            "{volume:volume.1}, 1 to {sand:number}, factor {factor:number}",
            needed="a volume from 0 up and parts over 0",
            remedy="Check the mix",
            volume=cubic_metres(volume),
            sand=share(mix.sand),
            factor=share(middle(mix.dry_factor)),
        )
    dry = middle(mix.dry_factor) * volume
    return Batch(dry, dry / (1 + mix.sand) * mix.density, dry * mix.sand / (1 + mix.sand))


def coverage(coat: Coat, thickness: float) -> Range | None:
    """Area (low, high) [m2] one bag covers at a thickness [m], before waste; None where it is not sold by the bag.

    Raises `BadValue` for no thickness.
    """
    if thickness <= 0:
        raise BadValue(
            "thickness",
            "{thickness:length.g}",
            needed="over 0",
            remedy="Give the coat's thickness",
            thickness=metres(thickness),
        )
    fills = coat.fills
    return None if fills is None else (fills[0] / thickness, fills[1] / thickness)


def tag_of(source: str) -> str:
    """How sure a source says it is, one of `TAGS`; empty where it does not begin with one."""
    return next((tag for tag in TAGS if source.startswith(tag)), "")
