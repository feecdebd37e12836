"""A wall put together from several captures: the files, what each covers, how they meet where they overlap."""

from __future__ import annotations

from typing import Any

from flatscan.core.notes import Unknown, note
from flatscan.core.quantity import metres, share, slope, square_metres
from flatscan.jobs import Seen
from flatscan.report.parts import Fact
from flatscan.report.tables import Column, Table


def mosaic_values(seen: Seen) -> dict[str, Any]:
    """The captures' files, what each covers of the wall [mm], and each pair's difference where both cover it."""
    origin = seen.origin
    files = origin.files or (origin,)
    values: dict[str, Any] = {
        "files": tuple(
            {"file": one.file, "sha256": one.sha256 or Unknown("unknown.no-file"), "points": one.points}
            for one in files
        )
    }
    if seen.mosaic is None:
        return values
    captures = tuple(
        {"file": name, "covers_share": share(one.share), **_box(one.box)}
        for name, one in zip(seen.mosaic.files, seen.mosaic.covered, strict=True)
    )
    overlaps = tuple(
        {
            "first": seen.mosaic.files[one.one - 1],
            "second": seen.mosaic.files[one.two - 1],
            "area_m2": square_metres(one.area),
            **_box(one.box),
            "mean_mm": metres(one.mean, one.u_mean),
            "turn_mm_per_m": slope(one.along),
            "lean_mm_per_m": slope(one.up),
            "rms_mm": metres(one.rms),
            "most_mm": metres(one.large),
            "rest_mm": metres(one.rest),
            "chord_mm": Unknown("unknown.narrow-overlap") if one.chord is None else metres(one.chord),
        }
        for one in seen.mosaic.overlaps
    )
    return values | {"captures": captures, "overlaps": overlaps, "not_tied": tuple(_loose(seen))}


def _box(box: tuple[float, float, float, float]) -> dict[str, Any]:
    names = ("left_mm", "bottom_mm", "right_mm", "top_mm")
    return {name: metres(value) for name, value in zip(names, box, strict=True)}


def _loose(seen: Seen) -> list[str]:
    return [] if seen.mosaic is None else [seen.mosaic.files[number - 1] for number in seen.mosaic.loose]


def mosaic_facts(seen: Seen) -> list[Fact]:
    """A line for each file that the capture was put together from."""
    return [
        Fact("capture-file", note("report.capture-file", file=one.file, sha256=one.sha256, points=one.points))
        for one in seen.origin.files
    ]


def mosaic_tables(seen: Seen) -> tuple[Table, ...]:
    """How the captures meet: a row for each pair that overlaps."""
    if seen.mosaic is None:
        return ()
    names = seen.mosaic.files
    rows = tuple(
        (names[one.one - 1], names[one.two - 1], one.area, one.box[0], one.box[2], one.mean, one.rms, one.large)
        for one in seen.mosaic.overlaps
    )
    columns = (
        Column("first", "capture"),
        Column("second", "and"),
        Column("area_m2", "overlap", 2),
        Column("left_mm", "from"),
        Column("right_mm", "to"),
        Column("mean_mm", "stands off by", 1),
        Column("rms_mm", "in all", 1),
        Column("most_mm", "19 in 20 under", 1),
    )
    return (Table("overlaps", note("report.overlaps"), columns, rows, "no two captures overlap"),)
