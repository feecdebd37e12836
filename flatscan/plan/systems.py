"""Material systems, one TOML file per family: coats, consumption, waiting times, bans, and site mixes."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flatscan.core.errors import BadTable, BadValue
from flatscan.core.quantity import cubic_metres, metres, share

_FOLDER = Path(__file__).parent / "systems"
# loose bulk density of cement [kg/m3], as the per-m3 tables of the trade imply: 479 kg at 1:3 and factor 1.33
CEMENT_DENSITY = 1440.0
# loose dry volume per volume placed (printed; 1.54 is also in use)
DRY_FACTOR = 1.33


@dataclass(frozen=True, slots=True)
class Mix:
    """Parts of sand to one of binder by volume, binder bag [kg], loose dry volume per volume placed.

    ``density`` is the binder's loose bulk density [kg/m3].
    """

    sand: float
    bag: float
    dry_factor: float = DRY_FACTOR
    density: float = CEMENT_DENSITY


@dataclass(frozen=True, slots=True)
class Coat:
    """One coat of a system; lengths in metres, ``rate`` in kg per m2 per metre of thickness (low, high).

    ``nominal`` is the thickness of a coat that follows the one under it everywhere (finish, top coat); None for a
    base coat, which takes up what the wall's shape asks for. ``most`` is the most in one pass, ``passes`` how many
    may follow each other before dubbing out is needed. ``product`` is what is ordered for it. ``wait`` [h] is the
    wait before the next coat.
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

    @property
    def base(self) -> Coat:
        """The coat that takes up the wall's shape."""
        return next(coat for coat in self.coats if coat.nominal is None)

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
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise BadTable(
            "{file}",
            "cannot be read ({why})",
            needed="a system file in TOML",
            remedy="Check the path",
            file=str(path),
            why=str(error.strerror),
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BadTable(
            "{file}",
            "not TOML: {why}",
            needed="a system file in TOML",
            remedy="Copy a shipped file and change its values",
            file=str(path),
            why=str(error),
        ) from None
    return _system(path, table)


class _Reader:
    """Reads one table's values, and says which file, table and key is wrong."""

    def __init__(self, path: Path, table: dict[str, Any], name: str) -> None:
        self.path, self.table, self.name = path, table, name

    def fail(self, key: str, found: str, needed: str) -> BadTable:
        return BadTable(
            "{file}, {table}",
            "{key}: {text}",
            needed=needed,
            remedy="Put it right in the file; the shipped files show the layout",
            file=str(self.path),
            table=self.name,
            key=key,
            text=found,
        )

    def value(self, key: str, kind: type | tuple[type, ...], needed: str, default: Any = ...) -> Any:
        if key not in self.table:
            if default is ...:
                raise self.fail(key, "missing", needed)
            return default
        value = self.table[key]
        if isinstance(value, bool) is not (kind is bool) or not isinstance(value, kind):
            raise self.fail(key, repr(value), needed)
        return value

    def number(self, key: str, default: Any = ..., *, scale: float = 1.0) -> Any:
        value = self.value(key, (int, float), "a number from 0 up", default)
        if value is default:
            return default
        if not math.isfinite(value) or value < 0:
            raise self.fail(key, repr(value), "a number from 0 up")
        return float(value) * scale

    def span(self, key: str, default: Any = ..., *, scale: float = 1.0) -> Any:
        value = self.value(key, list, "two numbers [low, high]", default)
        if value is default:
            return default
        good = len(value) == 2 and all(isinstance(v, (int, float)) and math.isfinite(v) for v in value)
        if not good or not 0 <= value[0] <= value[1]:
            raise self.fail(key, repr(value), "two numbers [low, high], low first, none under 0")
        return float(value[0]) * scale, float(value[1]) * scale


def _coat(path: Path, table: dict[str, Any], number: int) -> Coat:
    read = _Reader(path, table, f"coat {number}")
    # 1 kg per m2 per mm is 1000 kg per m3
    coat = Coat(
        name=read.value("name", str, "a name"),
        product=read.value("product", str, "what is ordered for it"),
        least=read.number("least_mm", scale=1e-3),
        most=read.number("most_mm", scale=1e-3),
        rate=read.span("kg_per_m2_mm", scale=1e3),
        bag=read.number("bag_kg", None),
        nominal=read.number("nominal_mm", None, scale=1e-3),
        passes=read.value("passes", int, "a whole number", 1),
        water=read.span("water_l_per_bag", None),
        wait=read.span("wait_h", (0.0, 0.0)),
        set_time=read.span("sets_in_h", None),
        mix=mix_of(table.get("mix"), read.fail),
    )
    if coat.least > coat.most or coat.passes < 1 or coat.rate[0] <= 0 or coat.bag == 0:
        raise read.fail(
            "least_mm, most_mm, passes, kg_per_m2_mm, bag_kg",
            "contradict each other or are 0",
            "a least not over the most, at least one pass, a consumption and a bag over 0",
        )
    return coat


def _system(path: Path, table: dict[str, Any]) -> System:
    read = _Reader(path, table, "system")
    coats = tuple(_coat(path, coat, i) for i, coat in enumerate(read.value("coat", list, "[[coat]] tables"), 1))
    base = sum(coat.nominal is None for coat in coats)
    if base != 1:
        raise read.fail("coat", f"{base} coats without nominal_mm", "exactly one base coat, which has none")
    dubbing = None
    if "dubbing" in table:
        deep = _Reader(path, read.value("dubbing", dict, "a [dubbing] table"), "dubbing")
        dubbing = Dubbing(deep.number("most_mm", scale=1e-3), deep.number("in_all_mm", scale=1e-3), deep.span("wait_h"))
        if dubbing.most <= 0:
            raise deep.fail("most_mm", "0", "a thickness over 0")
    out = _Reader(path, read.value("output", dict, "an [output] table"), "output")
    output = (out.number("base_m2_day"), out.number("base_m3_day"), out.number("finish_m2_day"))
    if min(output) <= 0:
        raise out.fail("base_m2_day, base_m3_day, finish_m2_day", "0", "numbers over 0")
    return System(
        name=path.stem,
        title=read.value("title", str, "a title"),
        coats=coats,
        dubbing=dubbing,
        least=read.number("least_mm", scale=1e-3),
        waste=read.number("waste_share"),
        mesh_over=read.number("mesh_over_mm", None, scale=1e-3),
        not_on=tuple(read.value("not_on", list, "a list of words", [])),
        output=output,
        dry_per_mm=read.number("dry_days_per_mm", 0.0),
        paint_after=read.value("paint_after", str, "words", ""),
        use_within=read.value("use_within", str, "words", ""),
        cement=read.value("cement", bool, "true or false", False),
        sources=tuple(sorted(read.value("sources", dict, "a [sources] table", {}).items())),
        patch_reach=read.number("patch_reach_mm", None, scale=1e-3),
    )


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


def mix_of(table: Any, fail: Callable[[str, str, str], BadTable]) -> Mix | None:
    """A ``[mix]`` table {sand_parts, binder_bag_kg, dry_factor, density_kg_m3}; ``fail`` makes the error."""
    if table is None:
        return None
    names = {"sand_parts": ..., "binder_bag_kg": ..., "dry_factor": DRY_FACTOR, "density_kg_m3": CEMENT_DENSITY}
    if not isinstance(table, dict):
        raise fail("mix", repr(table), "a table")
    values = {name: table.get(name, default) for name, default in names.items()}
    for name, value in values.items():
        if isinstance(value, bool) or not isinstance(value, (int, float)) or value <= 0:
            raise fail(f"mix.{name}", "missing" if value is ... else repr(value), "a number over 0")
    return Mix(*(float(value) for value in values.values()))
