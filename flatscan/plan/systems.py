"""Material systems, one TOML file per family, and the user's own files of the same layout."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

from flatscan.core.errors import BadTable, BadValue
from flatscan.core.records import Amount, Positive, Span, load_toml, of_table
from flatscan.plan.materials import CEMENT_DENSITY, DRY_FACTOR, Coat, Dubbing, Mix, System

_FOLDER = Path(__file__).parent / "systems"
# what a material can do to people, by the codes that cautions go by
_CAUTIONS = Path(__file__).parent / "material_cautions.toml"
_MOST_SAND = 20.0
_PARTS = re.compile(r"1\s*:\s*([0-9]+(?:[.,][0-9]+)?)")


def available() -> tuple[str, ...]:
    """Names of the systems that come with the package, in alphabetical order."""
    return tuple(sorted(path.stem for path in _FOLDER.glob("*.toml")))


@cache
def caution_codes() -> tuple[str, ...]:
    """Codes of the cautions that a system may have."""
    return tuple(load_toml(_CAUTIONS, "a list of codes", "Install the program again")["codes"])


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
    cautions: tuple[str, ...]
    coat: tuple[_CoatTable, ...]
    output: _OutputTable
    dubbing: _DubbingTable | None = None
    mesh_over_mm: Amount | None = None
    not_on: tuple[str, ...] = ()
    dry_days_per_mm: Amount = 0.0
    paint_after: str = ""
    use_within: str = ""
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


def _check_cautions(path: Path, codes: tuple[str, ...]) -> None:
    wrong = next((code for code in codes if code not in caution_codes()), None)
    if wrong is not None:
        raise BadTable(
            "{file}, cautions",
            "'{code}'",
            needed="codes out of {codes}; [] for a material that does nobody harm",
            remedy="Name what the material can do to people; the shipped files show how",
            file=str(path),
            code=wrong,
            codes=", ".join(caution_codes()),
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
    _check_cautions(path, table.cautions)
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
        cautions=table.cautions,
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
