"""Several captures that share coordinates as one: stations of a scanner, sweeps of a phone.

Nothing is moved: the points of all of them stand as their files have them, in one common shift.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from flatscan.core.errors import BadValue, MixedSurveys
from flatscan.core.geometry import Array
from flatscan.core.model import Cloud, Member, Origin, Readings
from flatscan.core.quantity import degrees

# directions that two files name as up differ by no more than this where they share an axis [rad]
_SAME_UP = np.radians(1.0)


def joined(taken: Sequence[Cloud | Readings]) -> Cloud:
    """One cloud out of at least two that share coordinates, each of them kept in its ``members``.

    ``chunks`` yields those of the first capture, then of the next; the sample holds the same share of each, mixed.
    Raises `BadValue` for fewer than two captures or one given twice, and `MixedSurveys` for readings among them and
    for other units or another up than the first has.
    """
    clouds = _alike(taken)
    first = clouds[0]
    members = tuple(_shifted(cloud, first.shift) for cloud in clouds)
    share = min(len(cloud.sample) / cloud.count for cloud in members)
    picked = [_part(cloud, share) for cloud in members]
    order = np.argsort(np.concatenate([(np.arange(len(rows)) + 0.5) / len(rows) for rows in picked]), kind="stable")
    normals = [cloud.sample_normals for cloud in members]
    known = [rows for rows in normals if rows is not None]
    stands = [cloud.stands for cloud in members if cloud.stands is not None]

    def chunks() -> Iterator[Array]:
        for cloud in members:
            yield from cloud.chunks()

    return replace(
        first,
        origin=_origin(clouds),
        sample=np.concatenate([cloud.sample[rows] for cloud, rows in zip(members, picked, strict=True)])[order],
        chunks=chunks,
        count=sum(cloud.count for cloud in members),
        u_step=np.max([cloud.u_step for cloud in members], axis=0),
        stands=np.concatenate(stands) if stands else None,
        sample_normals=np.concatenate([rows[some] for rows, some in zip(known, picked, strict=True)])[order]
        if len(known) == len(members)
        else None,
        independent_share=min(cloud.independent_share for cloud in members),
        drawn=any(cloud.drawn for cloud in members),
        u_up=max(cloud.u_up for cloud in members),
        members=members,
    )


def _part(cloud: Cloud, share: float) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Row numbers of an even part of a cloud's sample that holds so large a share of its points."""
    wanted = max(1, min(len(cloud.sample), round(share * cloud.count)))
    return np.floor((np.arange(wanted) + 0.5) * len(cloud.sample) / wanted).astype(np.int64)


def _shifted(cloud: Cloud, shift: Array) -> Cloud:
    """The same cloud with another shift subtracted from its file's coordinates."""
    by = cloud.shift - shift

    def chunks() -> Iterator[Array]:
        for points in cloud.chunks():
            yield points + by

    stands = None if cloud.stands is None else cloud.stands + by
    return replace(cloud, sample=cloud.sample + by, chunks=chunks, shift=shift, stands=stands)


def _alike(taken: Sequence[Cloud | Readings]) -> list[Cloud]:
    if len(taken) < 2:
        raise BadValue(
            "{set:same_wall}",
            "given with one capture",
            needed="at least two that share coordinates",
            remedy="Give all captures of the wall, or leave {set:same_wall} out",
        )
    clouds = [one for one in taken if isinstance(one, Cloud)]
    if len(clouds) < len(taken):
        readings = next(one for one in taken if not isinstance(one, Cloud))
        raise MixedSurveys(
            readings.origin.file,
            "a table of readings",
            needed="scans that share coordinates with {set:same_wall}",
            remedy="Leave it out, or tie the scan down with {set:tie}",
        )
    alone = next((one for one in clouds if one.photographed is not None), None)
    if alone is not None:
        raise MixedSurveys(
            alone.origin.file,
            "a folder of photos, whose coordinates are its own",
            needed="captures with shared coordinates",
            remedy="Put all photos of the wall into one folder",
        )
    first = clouds[0]
    for number, cloud in enumerate(clouds[1:], 2):
        twice = next((one for one in clouds[: number - 1] if one.origin.sha256 == cloud.origin.sha256), None)
        if twice is not None:
            raise BadValue(
                cloud.origin.file,
                "the same points as {other}",
                needed="another capture of the wall",
                remedy="Give each capture once",
                other=twice.origin.file,
            )
        if cloud.origin.file_unit != first.origin.file_unit:
            raise MixedSurveys(
                cloud.origin.file,
                "coordinates in {unit}, while {other} has {first}",
                needed="captures with shared coordinates",
                remedy="Say the unit of all with {set:file_unit}, or export them alike",
                unit=cloud.origin.file_unit,
                other=first.origin.file,
                first=first.origin.file_unit,
            )
        _same_up(first, cloud)
    return clouds


def _same_up(first: Cloud, cloud: Cloud) -> None:
    if first.up is None or cloud.up is None:
        return
    angle = float(np.arccos(np.clip(first.up @ cloud.up, -1, 1)))
    if angle > _SAME_UP:
        raise MixedSurveys(
            cloud.origin.file,
            "up is {angle:angle.1} from that of {other}",
            needed="captures with shared coordinates",
            remedy="Export them from one project, with the same axis up",
            angle=degrees(float(np.degrees(angle))),
            other=first.origin.file,
        )


def _origin(clouds: Sequence[Cloud]) -> Origin:
    """Where the joined cloud comes from: all files, and the hash of their hashes (one a line, in the order given)."""
    origins = [cloud.origin for cloud in clouds]
    lines = "".join(f"{origin.sha256}\n" for origin in origins)
    kinds = {origin.kind for origin in origins}
    return Origin(
        file=" + ".join(origin.file for origin in origins),
        sha256=hashlib.sha256(lines.encode()).hexdigest(),
        reader=", ".join(dict.fromkeys(origin.reader for origin in origins)),
        file_unit=origins[0].file_unit,
        points=sum(origin.points for origin in origins),
        warnings=tuple(dict.fromkeys(said for origin in origins for said in origin.warnings)),
        kind=kinds.pop() if len(kinds) == 1 else "",
        captured=", ".join(dict.fromkeys(origin.captured for origin in origins if origin.captured)),
        files=tuple(Member(origin.file, origin.sha256, origin.points) for origin in origins),
    )
