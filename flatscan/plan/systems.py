"""Material systems, one TOML file per family, and the user's own files of the same layout."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from flatscan.core.errors import BadTable, BadValue
from flatscan.core.records import Amount, Positive, PositiveSpan, Span, load_toml, of_table
from flatscan.plan.cautions import codes_of_materials
from flatscan.plan.materials import CEMENT_DENSITY, TAGS, Coat, Dubbing, Mix, Output, Range, System, tag_of

_FOLDER = Path(__file__).parent / "systems"
_MOST_SAND = 20.0
_LAYOUT = f"Put it right in the file; the files in {_FOLDER} show the layout"
_THICKNESS = "thickness"
# which figures of a file want a source, by the group it stands under
_OF_COAT = {
    "kg_per_m2_mm": "consumption",
    "bag_kg": "bag",
    "water_l_per_bag": "water",
    "wait_h": "wait",
    "wait_days_per_mm": "wait",
    "sets_in_h": "set",
    "use_within_min": "use within",
    "key_after_min": "key",
}
_OF_MIX = {"sand_parts": "mix", "dry_factor": "dry factor", "density_kg_m3": "binder", "binder_bag_kg": "bag"}
_OF_ALL = {
    "least_mm": _THICKNESS,
    "waste_share": "waste",
    "mesh_over_mm": "mesh",
    "not_on": "not on",
    "output": "output",
    "dubbing": "dubbing out",
    "dry_days_per_mm": "drying",
    "paint_after": "paint",
    "paint_after_days": "paint",
    "patch_reach_mm": "patches",
    "use_within": "use within",
}
_PARTS = re.compile(r"1\s*:\s*([0-9]+(?:[.,][0-9]+)?)")


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
    table = load_toml(path, "a system file in TOML", f"Copy a file of {_FOLDER} and change its values")
    return _system(path, of_table(_File, table, path, _LAYOUT))


@dataclass(frozen=True, slots=True)
class _MixTable:
    """A ``[coat.mix]`` table as a file has it."""

    sand_parts: Positive
    binder_bag_kg: Positive
    dry_factor: PositiveSpan
    density_kg_m3: Positive = CEMENT_DENSITY
    binder: str = "cement"


@dataclass(frozen=True, slots=True)
class _CoatTable:
    """A ``[[coat]]`` table as a file has it."""

    name: str
    product: str
    least_mm: Amount
    most_mm: Amount
    kg_per_m2_mm: PositiveSpan
    bag_kg: Positive | None = None
    nominal_mm: Amount | None = None
    passes: int = 1
    water_l_per_bag: Span | None = None
    wait_h: Span | None = None
    wait_days_per_mm: Span | None = None
    sets_in_h: Span | None = None
    use_within_min: Span | None = None
    key_after_min: Span | None = None
    mix: _MixTable | None = None


@dataclass(frozen=True, slots=True)
class _DubbingTable:
    """The ``[dubbing]`` table of a file."""

    most_mm: Positive
    in_all_mm: Amount
    wait_h: Span | None = None


@dataclass(frozen=True, slots=True)
class _OutputTable:
    """The ``[output]`` table of a file: what one person does in a day."""

    base_m2_day: PositiveSpan
    base_m3_day: PositiveSpan
    finish_m2_day: PositiveSpan


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
    dry_days_per_mm: Span | None = None
    paint_after: str = ""
    use_within: str = ""
    sources: dict[str, str] = field(default_factory=dict)
    patch_reach_mm: Amount | None = None
    paint_after_days: Span | None = None


def _scaled(value: float | None, scale: float) -> float | None:
    return None if value is None else value * scale


def _times(factor: float, of: Range | None) -> Range | None:
    return None if of is None else (of[0] * factor, of[1] * factor)


def _coat(path: Path, table: _CoatTable, number: int) -> Coat:
    twice = table.wait_h is not None and table.wait_days_per_mm is not None
    if table.least_mm > table.most_mm or table.passes < 1 or twice:
        raise BadTable(
            "{file}, coat {number}",
            "{keys} contradict each other",
            needed="a least not over the most, at least one pass, and a wait in hours or by the mm, not both",
            remedy=_LAYOUT,
            keys="wait_h and wait_days_per_mm" if twice else "least_mm, most_mm, passes",
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
        wait=table.wait_h or (0.0, 0.0),
        wait_per_mm=_times(24.0, table.wait_days_per_mm),
        set_time=table.sets_in_h,
        use_within=_times(1 / 60, table.use_within_min),
        key_after=_times(1 / 60, table.key_after_min),
        mix=None
        if mix is None
        else Mix(mix.sand_parts, mix.binder_bag_kg, mix.dry_factor, mix.density_kg_m3, mix.binder),
    )


def _check_cautions(path: Path, codes: tuple[str, ...]) -> None:
    wrong = next((code for code in codes if code not in codes_of_materials()), None)
    if wrong is not None:
        raise BadTable(
            "{file}, cautions",
            "'{code}'",
            needed="codes out of {codes}; [] for a material that does nobody harm",
            remedy="Name what the material can do to people; the shipped files show how",
            file=str(path),
            code=wrong,
            codes=", ".join(codes_of_materials()),
        )


def _groups(table: _File) -> Iterator[tuple[str, str]]:
    """Groups of figures that a file has, each with the coat it is of, empty for those of all of it."""
    for coat in table.coat:
        yield _THICKNESS, coat.name
        yield from ((group, coat.name) for key, group in _OF_COAT.items() if getattr(coat, key) is not None)
        yield from ((group, coat.name) for group in (_OF_MIX.values() if coat.mix is not None else ()))
    yield from ((group, "") for key, group in _OF_ALL.items() if getattr(table, key) not in (None, "", ()))


def _check_sources(path: Path, table: _File) -> None:
    """Every figure says where it was read and how sure that is; raises `BadTable` where one does not."""
    groups = list(_groups(table))
    known = {f"{group}, {coat}" if coat else group for group, coat in groups} | {group for group, _ in groups}
    lists = {
        "missing": [group for group, coat in groups if not {group, f"{group}, {coat}"} & set(table.sources)],
        "unknown": sorted(set(table.sources) - known),
        "untold": sorted(group for group, said in table.sources.items() if not tag_of(said)),
    }
    found = {
        "missing": "missing: {missing}",
        "unknown": "unknown: {unknown}",
        "untold": "how sure is not said: {untold}",
    }
    wrong = {what: tuple(dict.fromkeys(names)) for what, names in lists.items() if names}
    if wrong:
        raise BadTable(
            "{file}, sources",
            "; ".join(found[what] for what in wrong),
            needed="a line for each group of figures, beginning with one of {tags}",
            remedy='Say where it was read, such as  consumption = "printed: the bag"',
            file=str(path),
            tags=TAGS,
            **wrong,
        )


def _system(path: Path, table: _File) -> System:
    coats = tuple(_coat(path, coat, number) for number, coat in enumerate(table.coat, 1))
    bare = sum(coat.nominal is None for coat in coats)
    if bare != 1:
        raise BadTable(
            path,
            "{bare} coats without nominal_mm",
            needed="exactly one base coat, which has none",
            remedy=_LAYOUT,
            bare=bare,
        )
    _check_cautions(path, table.cautions)
    _check_sources(path, table)
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
        output=Output(output.base_m2_day, output.base_m3_day, output.finish_m2_day),
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
