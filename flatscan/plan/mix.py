"""Sand and cement for a volume placed, by the dry-volume factor."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from flatscan.core.errors import BadTable, BadValue

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
            f"volume {volume} m3, 1:{mix.sand:g}, factor {mix.dry_factor:g}",
            needed="a volume from 0 up and parts over 0",
            remedy="Check the mix",
        )
    dry = mix.dry_factor * volume
    return Batch(dry, dry / (1 + mix.sand) * mix.density, dry * mix.sand / (1 + mix.sand))


def coverage(bag: float, thickness: float, mix: Mix) -> float:
    """Area [m2] one bag of binder [kg] covers at a thickness [m]."""
    if thickness <= 0:
        raise BadValue("thickness", f"{thickness} m", needed="over 0", remedy="Give the coat's thickness")
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
