"""Material systems, one TOML file per family: coats, consumption, waiting times, bans, and site mixes."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from pathlib import Path

from flatscan.core.errors import BadTable, BadValue
from flatscan.core.quantity import cubic_metres, metres, share
from flatscan.core.records import Amount, Positive, Span, load_toml, of_table

_FOLDER = Path(__file__).parent / "systems"
# loose bulk density of cement [kg/m3], as the per-m3 tables of the trade imply: 479 kg at 1:3 and factor 1.33
CEMENT_DENSITY = 1440.0
# loose dry volume per volume placed (printed; 1.54 is also in use)
DRY_FACTOR = 1.33
SAND = "sand"
# how sure the values of a file are, the surest first: the first words of its sources
TAGS = ("printed", "derived", "common practice", "from memory")
_MOST_SAND = 20.0
_PARTS = re.compile(r"1\s*:\s*([0-9]+(?:[.,][0-9]+)?)")


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
    where none is called for. ``output`` is base coat [m2, m3] and finish [m2] one person does in a day. ``sources``
    say for each group of values where it was read: printed, common practice, derived or from memory.
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
    cement: bool
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


def available() -> tuple[str, ...]:
    """Names of the systems that come with the package, in alphabetical order."""
    return tuple(sorted(path.stem for path in _FOLDER.glob("*.toml")))


def load(name: str) -> System:
    """A system by its name, or from the user's own TOML file of the same layout.

    Raises `BadValue` for an unknown name, `BadTable` for a file that lacks a value or holds one that makes no sense.
    """
    path = Path(name)
    if name in available():
        path = _FOLDER / f"{name}.toml"
    elif path.suffix != ".toml":
        raise BadValue(
            "{set:system}",
            "no system is called '{name}'",
            needed="one of {names}, or a .toml file",
            remedy="Choose one of these or give your own file",
            name=name,
            names=", ".join(available()),
        )
    table = load_toml(path, "a system file in TOML", "Copy a shipped file and change its values")
    return _system(path, of_table(_File, table, path, "Put it right in the file; the shipped files show the layout"))


@dataclass(frozen=True, slots=True)
class _MixTable:
    """A ``[coat.mix]`` table as a file has it."""

    sand_parts: Positive
    binder_bag_kg: Positive
    dry_factor: Positive = DRY_FACTOR
    density_kg_m3: Positive = CEMENT_DENSITY
    binder: str = "cement"


@dataclass(frozen=True, slots=True)
class _CoatTable:
    """A ``[[coat]]`` table as a file has it."""

    name: str
    product: str
    least_mm: Amount
    most_mm: Amount
    kg_per_m2_mm: Span
    bag_kg: Positive | None = None
    nominal_mm: Amount | None = None
    passes: int = 1
    water_l_per_bag: Span | None = None
    wait_h: Span = (0.0, 0.0)
    sets_in_h: Span | None = None
    use_within_min: Span | None = None
    key_after_min: Span | None = None
    mix: _MixTable | None = None


@dataclass(frozen=True, slots=True)
class _DubbingTable:
    """The ``[dubbing]`` table of a file."""

    most_mm: Positive
    in_all_mm: Amount
    wait_h: Span


@dataclass(frozen=True, slots=True)
class _OutputTable:
    """The ``[output]`` table of a file: what one person does in a day."""

    base_m2_day: Positive
    base_m3_day: Positive
    finish_m2_day: Positive


@dataclass(frozen=True, slots=True)
class _File:
    """A file of a system."""

    title: str
    least_mm: Amount
    waste_share: Amount
    coat: tuple[_CoatTable, ...]
    output: _OutputTable
    dubbing: _DubbingTable | None = None
    mesh_over_mm: Amount | None = None
    not_on: tuple[str, ...] = ()
    dry_days_per_mm: Amount = 0.0
    paint_after: str = ""
    use_within: str = ""
    cement: bool = False
    sources: dict[str, str] = field(default_factory=dict)
    patch_reach_mm: Amount | None = None
    paint_after_days: Span | None = None


def _scaled(value: float | None, scale: float) -> float | None:
    return None if value is None else value * scale


def _hours(minutes: tuple[float, float] | None) -> tuple[float, float] | None:
    return None if minutes is None else (minutes[0] / 60, minutes[1] / 60)


def _coat(path: Path, table: _CoatTable, number: int) -> Coat:
    if table.least_mm > table.most_mm or table.passes < 1 or table.kg_per_m2_mm[0] <= 0:
        raise BadTable(
            "{file}, coat {number}",
            "least_mm, most_mm, passes, kg_per_m2_mm contradict each other or are 0",
            needed="a least not over the most, at least one pass and a consumption over 0",
            remedy="Put it right in the file; the shipped files show the layout",
            file=str(path),
            number=number,
        )
    low, high = table.kg_per_m2_mm
    mix = table.mix
    return Coat(
        name=table.name,
        product=table.product,
        least=table.least_mm * 1e-3,
        most=table.most_mm * 1e-3,
        # 1 kg per m2 per mm is 1000 kg per m3
        rate=(low * 1e3, high * 1e3),
        bag=table.bag_kg,
        nominal=_scaled(table.nominal_mm, 1e-3),
        passes=table.passes,
        water=table.water_l_per_bag,
        wait=table.wait_h,
        set_time=table.sets_in_h,
        use_within=_hours(table.use_within_min),
        key_after=_hours(table.key_after_min),
        mix=None
        if mix is None
        else Mix(mix.sand_parts, mix.binder_bag_kg, mix.dry_factor, mix.density_kg_m3, mix.binder),
    )


def _system(path: Path, table: _File) -> System:
    coats = tuple(_coat(path, coat, number) for number, coat in enumerate(table.coat, 1))
    bare = sum(coat.nominal is None for coat in coats)
    if bare != 1:
        raise BadTable(
            path,
            "{bare} coats without nominal_mm",
            needed="exactly one base coat, which has none",
            remedy="Put it right in the file; the shipped files show the layout",
            bare=bare,
        )
    deep, output = table.dubbing, table.output
    return System(
        name=path.stem,
        title=table.title,
        coats=coats,
        dubbing=None if deep is None else Dubbing(deep.most_mm * 1e-3, deep.in_all_mm * 1e-3, deep.wait_h),
        least=table.least_mm * 1e-3,
        waste=table.waste_share,
        mesh_over=_scaled(table.mesh_over_mm, 1e-3),
        not_on=table.not_on,
        output=(output.base_m2_day, output.base_m3_day, output.finish_m2_day),
        dry_per_mm=table.dry_days_per_mm,
        paint_after=table.paint_after,
        use_within=table.use_within,
        cement=table.cement,
        sources=tuple(sorted(table.sources.items())),
        patch_reach=_scaled(table.patch_reach_mm, 1e-3),
        paint_days=table.paint_after_days,
    )


def with_mix(system: System, mix: str | None) -> System:
    """The system with another site mix, in words such as "1:4": parts of sand to one of binder in every coat mixed so.

    None leaves it. Raises `BadValue` for other words, and for a system that comes ready mixed in bags.
    """
    if mix is None:
        return system
    parts = _PARTS.fullmatch(mix.strip())
    sand = float(parts[1].replace(",", ".")) if parts else 0.0
    if not 0 < sand <= _MOST_SAND:
        raise BadValue(
            "{set:mix}",
            "'{mix}'",
            needed="sand to one of binder such as 1:4, by volume",
            remedy="Give the parts as the specification has them",
            mix=mix,
        )
    if all(coat.mix is None for coat in system.coats):
        mixed = [name for name in available() if any(coat.mix for coat in load(name).coats)]
        raise BadValue(
            "{set:mix}",
            "given for {system}, which comes ready mixed in bags",
            needed="a system that is mixed on site: {names}",
            remedy="Leave the mix out, or choose another system",
            system=system.name,
            names=", ".join(mixed),
        )
    coats = (coat if coat.mix is None else replace(coat, mix=replace(coat.mix, sand=sand)) for coat in system.coats)
    return replace(system, coats=tuple(coats))


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
