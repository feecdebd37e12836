"""Material systems: coats, consumption, waiting times, bans, cautions, and what a site mix takes."""

from __future__ import annotations

from dataclasses import dataclass

from flatscan.core.errors import BadValue
from flatscan.core.quantity import cubic_metres, metres, share

# loose bulk density of cement [kg/m3], as the per-m3 tables of the trade imply: 479 kg at 1:3 and factor 1.33
CEMENT_DENSITY = 1440.0
# loose dry volume per volume placed (printed; 1.54 is also in use)
DRY_FACTOR = 1.33
SAND = "sand"
# how sure the values of a file are, the surest first: the first words of its sources
TAGS = ("printed", "derived", "common practice", "from memory")


@dataclass(frozen=True, slots=True)
class Mix:
    """Parts of sand to one of binder by volume, binder bag [kg], loose dry volume per volume placed.

    ``density`` is the binder's loose bulk density [kg/m3], ``binder`` what it is called in a shop.
    """

    sand: float
    bag: float
    dry_factor: float = DRY_FACTOR
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
    wait before the next coat, ``use_within`` [h] how long a mix is good for, ``key_after`` [h] when it is firm enough
    to be keyed and ``set_time`` [h] when it sets, all (low, high); ``water`` (low, high) [litres] goes with a bag.
    """

    name: str
    product: str
    least: float
    most: float
    rate: tuple[float, float]
    bag: float | None
    nominal: float | None = None
    passes: int = 1
    water: tuple[float, float] | None = None
    wait: tuple[float, float] = (0.0, 0.0)
    set_time: tuple[float, float] | None = None
    use_within: tuple[float, float] | None = None
    key_after: tuple[float, float] | None = None
    mix: Mix | None = None

    @property
    def mean_rate(self) -> float:
        """Middle of the range of consumption [kg per m3]."""
        return (self.rate[0] + self.rate[1]) / 2


@dataclass(frozen=True, slots=True)
class Dubbing:
    """Filling out deep places before the base coat: most per pass and in all [m]."""

    most: float
    in_all: float
    wait: tuple[float, float]


@dataclass(frozen=True, slots=True)
class System:
    """A family of materials; ``coats`` from the wall outward, the last at the face. Lengths in metres, times in h.

    ``least`` is the least overall thickness anywhere. ``mesh_over`` is the thickness over which mesh goes in, None
    where none is called for. ``output`` is base coat [m2, m3] and finish [m2] one person does in a day. ``cautions``
    are codes of what its materials can do to people. ``sources`` say for each group of values where it was read:
    printed, common practice, derived or from memory.
    """

    name: str
    title: str
    coats: tuple[Coat, ...]
    dubbing: Dubbing | None
    least: float
    waste: float
    mesh_over: float | None
    not_on: tuple[str, ...]
    output: tuple[float, float, float]
    dry_per_mm: float
    paint_after: str
    use_within: str
    cautions: tuple[str, ...]
    sources: tuple[tuple[str, str], ...]
    patch_reach: float | None = None
    paint_days: tuple[float, float] | None = None

    def tag(self, group: str, coat: str = "") -> str:
        """How sure a group of values is, one of `TAGS`, as the file says for that coat or for all of them.

        What a file says nothing of is from memory.
        """
        told = dict(self.sources)
        said = told.get(f"{group}, {coat}", told.get(group, ""))
        return next((tag for tag in TAGS if said.startswith(tag)), TAGS[-1])

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
    """Binder and sand for so many m3 placed: dry = factor x volume, split 1 : sand by loose volume.

    Raises `BadValue` for a volume or mix under 0.
    """
    if volume < 0 or mix.sand <= 0 or mix.dry_factor <= 0:
        raise BadValue(
            "mix",
            "{volume:volume.1}, 1 to {sand:number}, factor {factor:number}",
            needed="a volume from 0 up and parts over 0",
            remedy="Check the mix",
            volume=cubic_metres(volume),
            sand=share(mix.sand),
            factor=share(mix.dry_factor),
        )
    dry = mix.dry_factor * volume
    return Batch(dry, dry / (1 + mix.sand) * mix.density, dry * mix.sand / (1 + mix.sand))


def coverage(bag: float, thickness: float, mix: Mix) -> float:
    """Area [m2] one bag of binder [kg] covers at a thickness [m]."""
    if thickness <= 0:
        raise BadValue(
            "thickness",
            "{thickness:length.g}",
            needed="over 0",
            remedy="Give the coat's thickness",
            thickness=metres(thickness),
        )
    return bag / mix.density * (1 + mix.sand) / mix.dry_factor / thickness
