"""What was taped for a folder of photos: ``wall.toml`` with the wall, the lens, targets and distances."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flatscan.capture.calibration.setup_reader import SetupReader, short
from flatscan.core.beside import beside
from flatscan.core.geometry import Array
from flatscan.core.records import load_toml

NAME = "wall.toml"
_TABLES = ("wall", "camera", "targets", "distance", "u")
_MOST_DISTANCES = 60


@dataclass(frozen=True)
class Distance:
    """A length ``taped`` [m] between the middles of two targets."""

    first: int
    second: int
    taped: float


@dataclass(frozen=True)
class TapeDoubts:
    """Standard uncertainties [m] (engineering estimates, as methods/laser-line 4 has them).

    A target's taped place, a taped distance, and the size of a printed target as a rule reads it. ``focal`` is the
    relative u of a lens file's focal length, None where the file's own stands.
    """

    target_place: float = 0.001
    distance: float = 0.001
    target_size: float = 0.0003
    focal: float | None = None


@dataclass(frozen=True, eq=False)
class PhotoSetup:
    """All that was said; lengths in metres. ``file`` is None where the folder holds no ``wall.toml``."""

    file: Path | None = None
    name: str = ""
    width: float | None = None
    height: float | None = None
    camera_file: Path | None = None
    camera_name: str | None = None
    target_size: float | None = None
    targets: tuple[tuple[int, Array], ...] = ()
    distances: tuple[Distance, ...] = ()
    doubts: TapeDoubts = TapeDoubts()


def photo_setup(folder: Path) -> PhotoSetup:
    """The set-up in a folder's ``wall.toml``; raises `BadTable` that names the entry at fault."""
    path = folder / NAME
    if not path.is_file():
        return PhotoSetup()
    record = load_toml(path, "a set-up file", "Correct that line")
    get = SetupReader(path)
    get.only(record, _TABLES)
    wall, camera, targets, doubts = (get.table(record, name) for name in ("wall", "camera", "targets", "u"))
    get.only(wall, ("name", "width", "height"), "wall")
    get.only(camera, ("file", "name"), "camera")
    get.only(targets, ("size", "at"), "targets")
    get.only(doubts, tuple(TapeDoubts.__dataclass_fields__), "u")
    return PhotoSetup(
        file=path,
        name=str(wall.get("name", "")),
        width=get.size(wall, "width"),
        height=get.size(wall, "height"),
        camera_file=beside(path, camera["file"]) if "file" in camera else None,
        camera_name=str(camera["name"]) if "name" in camera else None,
        target_size=get.size(targets, "size"),
        targets=tuple(sorted(get.places(targets).items())),
        distances=tuple(_distance(get, entry) for entry in _entries(get, record)),
        doubts=TapeDoubts(**{name: _doubt(get, name, value) for name, value in doubts.items()}),
    )


def _entries(get: SetupReader, record: dict[str, Any]) -> list[Any]:
    entries = record.get("distance", [])
    if not isinstance(entries, list) or len(entries) > _MOST_DISTANCES:
        needed = "at most {most} entries [[distance]]"
        raise get.wrong("distance", "{given}", needed, given=short(entries), most=_MOST_DISTANCES)
    return entries


def _distance(get: SetupReader, entry: Any) -> Distance:
    needed = 'between = [0, 3] and is = "2.41 m"'
    if not isinstance(entry, dict):
        raise get.wrong("distance", "{given}", needed, given=short(entry))
    get.only(entry, ("between", "is"), "distance")
    ends = entry.get("between")
    pair = ends if isinstance(ends, list) and len(ends) == 2 and all(type(one) is int for one in ends) else []
    if len(set(pair)) < 2 or "is" not in entry:
        raise get.wrong("distance", "{given}", needed, given=short(entry))
    taped = get.length("distance", entry["is"])
    if not 0.05 <= taped < 100:
        raise get.wrong("distance", "is {given}", "50 mm to 100 m", given=short(entry["is"]))
    first, second = pair
    return Distance(first, second, taped)


def _doubt(get: SetupReader, name: str, value: Any) -> float:
    doubt = float(value) if name == "focal" and isinstance(value, (int, float)) else get.length("u", value)
    if not 0 < doubt < 1:
        raise get.wrong("u", "{name} {given}", "over 0 and under 1", name=name, given=repr(value))
    return doubt
