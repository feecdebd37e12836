"""LAS and LAZ point clouds through laspy, in blocks; the unit from the file's own reference system."""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from flatscan.capture.las_header import check_header
from flatscan.capture.laz_table import RECORD_ID, check_chunks
from flatscan.capture.registry import Format, need
from flatscan.capture.source import BLOCK, Block, PointSource, cut_off, damaged
from flatscan.core.errors import FlatscanError, UnitsUnknown

# linear units of GeoTIFF and EPSG (OGC GeoTIFF 1.1, ProjLinearUnitsGeoKey)
_EPSG_UNITS = {9001: "m", 9002: "ft", 9003: "ft", 9025: "mm", 1025: "mm", 1033: "cm"}
_MODEL_KEY, _LINEAR_KEY, _VERTICAL_KEY, _GEOGRAPHIC = 1024, 3076, 4099, 2
# withheld points and the two noise classes are no surface (ASPRS LAS 1.4 R15, tables 8 and 17)
_NOISE = (7, 18)
_ROWS_WORDS = "marked as noise or withheld"


@dataclass(frozen=True)
class _Points:
    """Streams the points of one file in its own unit."""

    path: Path

    def blocks(self) -> Iterator[Block]:
        read = 0
        with _open(self.path) as reader:
            header = reader.header
            scale, offset = np.array(header.scales), np.array(header.offsets)
            chunks = _guarded(self.path, reader.chunk_iterator(BLOCK))
            for chunk in chunks:
                read += len(chunk)
                raw = np.stack([np.asarray(chunk[axis]) for axis in "XYZ"], axis=1).astype(np.float64)
                keep = _surface(chunk)
                points = raw * scale + offset
                yield Block(points if keep.all() else points[keep], None, int(np.count_nonzero(~keep)))
            if read < header.point_count:
                raise cut_off(
                    self.path, f"it ended at point {read:,}", f"{header.point_count:,} points, as the header says"
                )


def _surface(chunk: Any) -> np.ndarray:  # noqa: ANN401
    keep: np.ndarray = ~np.isin(np.asarray(chunk["classification"]), _NOISE)
    if "withheld" in chunk.point_format.dimension_names:
        keep &= np.asarray(chunk["withheld"]) == 0
    return keep


def _open(path: Path) -> Any:  # noqa: ANN401
    laspy = need("laspy", "las", "LAS and LAZ files")
    return _translated(path, lambda: laspy.open(path))


def _guarded(path: Path, chunks: Iterator[Any]) -> Iterator[Any]:
    while True:
        chunk = _translated(path, lambda: next(chunks, None))
        if chunk is None:
            return
        yield chunk


def _translated(path: Path, call: Callable[[], Any]) -> Any:  # noqa: ANN401
    """The result of ``call``; what laspy, its decompressor and Python raise on damaged bytes becomes `ReadError`."""
    import lazrs
    from laspy.errors import LaspyException

    known = (LaspyException, lazrs.LazrsError, ValueError, OverflowError, EOFError, MemoryError, AssertionError,
             LookupError, TypeError, AttributeError, NotImplementedError, OSError, struct.error)  # fmt: skip
    try:
        return call()
    except FlatscanError:
        raise
    except BaseException as reason:
        # the decompressor's own panic is no Exception, and its class cannot be imported
        if not isinstance(reason, known) and type(reason).__name__ != "PanicException":
            raise
        text = " ".join(str(reason).split())[:120]
        raise cut_off(path, f"or damaged; its points cannot be read ({text})", "a whole LAS or LAZ file") from None


def open_las(path: Path) -> PointSource:
    """A LAS or LAZ file as a `PointSource`; raises `ReadError` where header and file disagree."""
    check_header(path)
    with _open(path) as reader:
        header = reader.header
        count, scales = int(header.point_count), np.array(header.scales, dtype=np.float64)
        numbers = np.concatenate([scales, header.offsets])
        size, start = int(header.point_format.size), int(header.offset_to_point_data)
        packed = bool(header.are_points_compressed)
        unit, unit_from = _translated(path, lambda: unit_of(path, list(header.vlrs) + list(header.evlrs or [])))
        record = next((bytes(item.record_data_bytes()) for item in header.vlrs if item.record_id == RECORD_ID), b"")
        bounds = np.array([header.mins, header.maxs], dtype=np.float64)
        extra_records = int(header.number_of_evlrs)
        version = f"{header.version.major}.{header.version.minor}"
    if not np.isfinite(numbers).all() or not (scales != 0).all():
        raise damaged(path, f"scales {scales.tolist()}", "steps of the coordinates, not 0")
    held = path.stat().st_size - start
    if held < 0 or (not packed and held < count * size):
        found = f"the header promises {count:,} points, the file holds {max(held, 0) // size:,}"
        raise cut_off(path, found, f"{count * size:,} bytes of points (found {max(held, 0):,})")
    if packed:
        _translated(path, lambda: check_chunks(path, start, count, record))
    surplus = 0 if packed or extra_records else held - count * size
    words = f"the file holds {surplus:,} bytes beyond the {count:,} points its header promises: not read"
    return PointSource(f"LA{'Z' if packed else 'S'} {version}", count, _Points(path).blocks, unit=unit,
                       unit_from=unit_from, step=np.abs(scales), up=np.array([0.0, 0.0, 1.0]),
                       up_from="the LAS format's convention (Z up)", drop_words=_ROWS_WORDS,
                       bounds=bounds if bounds.any() else None, warnings=(words,) if surplus else ())  # fmt: skip


def unit_of(path: Path, records: list[Any]) -> tuple[str | None, str]:
    """Unit the file's reference system gives, in words where from; None where it has none.

    Degrees, and a height in another unit than the plan, raise `UnitsUnknown`.
    """
    units: set[str] = set()
    degrees = False
    for record in records:
        if hasattr(record, "geo_keys"):
            keys = {key.id: key.value_offset for key in record.geo_keys}
            degrees |= keys.get(_MODEL_KEY) == _GEOGRAPHIC
            units |= {
                _EPSG_UNITS.get(keys[key], f"unit {keys[key]}") for key in (_LINEAR_KEY, _VERTICAL_KEY) if key in keys
            }
        elif isinstance(text := getattr(record, "string", None), str) and text.strip("\0 "):
            found, in_degrees = wkt_units(text)
            units |= found
            degrees |= in_degrees
    if degrees:
        raise UnitsUnknown(path, "its reference system gives places in degrees", needed="metres or feet",
                           remedy="Export the scan in a projected or local system")  # fmt: skip
    if len(units) > 1 or any(unit.startswith("unit ") for unit in units):
        raise UnitsUnknown(path, f"its reference system names {' and '.join(sorted(units))}", needed="one known unit",
                           remedy="Export the scan in metres")  # fmt: skip
    return (units.pop(), "the file's reference system") if units else (None, "")


def wkt_units(text: str) -> tuple[set[str], bool]:
    """Linear units of a well-known text (OGC 01-009 and ISO 19162), and whether its places are in degrees only."""
    factors = re.findall(r'(?:LENGTH)?UNIT\s*\[\s*"([^"]*)"\s*,\s*([0-9.eE+-]+)', text)
    angular = re.compile(r"degree|grad|radian|unity|second", re.IGNORECASE)
    linear = [(name, float(factor)) for name, factor in factors if not angular.search(name)]
    flat = re.search(r"PROJCS|PROJCRS|PROJECTEDCRS|LOCAL_CS|ENGCRS|ENGINEERINGCRS|GEOCCS", text) is not None
    known = {1.0: "m", 0.3048: "ft", 0.001: "mm", 0.01: "cm", 0.0254: "in"}
    units = set()
    for name, factor in linear:
        # the US survey foot, 1200/3937 m, is longer by two parts in a million: 8 um on a wall
        near = next((unit for size, unit in known.items() if abs(factor / size - 1) < 1e-5), f"unit {name}")
        units.add(near)
    return (units if flat or not factors else set()), bool(factors) and not flat and "GEO" in text.upper()


def _is_las(head: bytes) -> bool:
    return head[:4] == b"LASF"


FORMAT = Format("LAS", (".las", ".laz"), "points", _is_las, open_las)
