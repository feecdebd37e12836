"""Photos that cannot be placed: which of them and why, and what to do when too few are left."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from flatscan.capture.photos.bundle import LeftOut
from flatscan.capture.photos.matching import Matches
from flatscan.capture.photos.photo_features import Features
from flatscan.capture.photos.photo_files import PhotoFile
from flatscan.capture.photos.pure_turns import OnePlace
from flatscan.core.errors import ReadError
from flatscan.core.notes import Note, note
from flatscan.core.quantity import share

FEWEST = 3
# a photo with fewer features, or over less of it, shows no texture; a wall of blocks or roughcast gives thousands
POOR, BARE_SHARE = 150, 0.25
# fine detail against that of the other photos, under which a photo is blurred
_BLURRED = 0.55
NEEDED = 15


def texture_faults(features: Sequence[Features]) -> dict[int, Note]:
    """Photos that show too little, by number, with what they lack: texture, or sharpness beside the others."""
    usual = _usual_sharp(features)
    found = dict[int, Note]()
    for i, one in enumerate(features):
        if len(one) >= POOR and one.enough >= BARE_SHARE:
            continue
        if 0 < one.sharp < _BLURRED * usual:
            found[i] = blurred(one, usual)
        else:
            found[i] = note("photo.no-texture", count=len(one), needed=POOR)
    return found


def blurred(one: Features, usual: float) -> Note:
    """The note that a photo is blurred beside the others."""
    return note("photo.blurred", part=share(one.sharp / max(usual, 1e-9)))


def _usual_sharp(features: Sequence[Features]) -> float:
    """The fine detail of a typical photo that shows any."""
    sharp = [one.sharp for one in features if one.sharp > 0]
    return float(np.median(sharp)) if sharp else 0.0


def is_blurred(one: Features, features: Sequence[Features]) -> bool:
    """Whether a photo has much less fine detail than the others."""
    return 0 < one.sharp < _BLURRED * _usual_sharp(features)


def refuse_few(folder: Path, count: int) -> None:
    """Raise `ReadError` for a folder of fewer photos than make a wall."""
    if count < FEWEST:
        raise ReadError(
            folder,
            "{count} photos in the folder",
            needed="{fewest} or more, 10 to 30 for a wall",
            remedy="Walk along the wall in two rows, with 70 % overlap from photo to photo",
            count=count,
            fewest=FEWEST,
        )


def refuse_bare(folder: Path, features: Sequence[Features], faults: dict[int, Note]) -> None:
    """Raise `ReadError` where too few photos show texture to go on."""
    left = len(features) - len(faults)
    if left >= FEWEST and left > len(features) / 3:
        return
    codes = [one.code for one in faults.values()]
    if codes.count("photo.blurred") > len(codes) / 2:
        raise ReadError(
            folder,
            "{count} of {photos} photos are blurred",
            needed="sharp photos",
            remedy="Hold the phone still for each, lock the focus on the wall, and bring more light",
            count=codes.count("photo.blurred"),
            photos=len(features),
        )
    raise ReadError(
        folder,
        "the wall shows no texture: {few} distinct points on a typical photo",
        needed="{fewest} or more, as blocks, brick or a rough coat have",
        remedy="A bare finish coat needs chalk marks all over, a laser line, or readings",
        few=int(np.median([len(one) for one in features])),
        fewest=POOR,
    )


def refuse_one_place(folder: Path, found: OnePlace | None) -> None:
    """Raise `ReadError` where all photos were taken from one place."""
    if found is None:
        return
    what = "turned on the spot" if found.turned else "taken from one place"
    raise ReadError(
        folder,
        "all photos were " + what + ": the camera moved by {moved:share.1} of its distance from the wall",
        needed="places apart by a fifth of the distance or more",
        remedy="Step sideways along the wall between photos",
        moved=share(found.moved),
    )


def refuse_apart(folder: Path, photos: Sequence[PhotoFile], matches: Matches, placed: Sequence[int]) -> None:
    """Raise `ReadError`, with the two photos between which one is missing, where too few hang together."""
    if len(placed) >= FEWEST:
        return
    first, second, many = weakest_link(photos, matches, placed)
    raise ReadError(
        folder,
        "the photos do not hang together: {first} and {second} share {count} points",
        needed="{fewest} or more, from 70 % overlap",
        remedy="Take one more photo between {first} and {second}, and go on so along the wall",
        first=photos[first].name,
        second=photos[second].name,
        count=many,
        fewest=NEEDED,
    )


def weakest_link(photos: Sequence[PhotoFile], matches: Matches, placed: Sequence[int]) -> tuple[int, int, int]:
    """Two photos, one after the other by name, that share least, one of them not placed; with how many they share."""
    many = {
        (int(min(pair)), int(max(pair))): int(count) for pair, count in zip(matches.pairs, matches.many, strict=True)
    }
    pairs = [(i, i + 1) for i in range(len(photos) - 1) if not (i in placed and i + 1 in placed)]
    best = min(pairs or [(0, 1)], key=lambda pair: many.get(pair, 0))
    return (*best, many.get(best, 0))


def not_placed(
    photos: Sequence[PhotoFile], features: Sequence[Features], matches: Matches, placed: Sequence[int],
    parts: Sequence[Sequence[int]],
) -> list[LeftOut]:  # fmt: skip
    """Photos that were not placed with the others, and why, in the order of the folder."""
    others = {i: part for part in parts for i in part}
    found = []
    for i, photo in enumerate(photos):
        if i in placed:
            continue
        many = matches.of(i)
        if i in others:
            why = note("photo.other-part", count=len(others[i]))
        elif is_blurred(features[i], features):
            why = blurred(features[i], _usual_sharp(features))
        elif many < NEEDED:
            near = _nearest(i, placed)
            why = note("photo.no-overlap", count=many, needed=NEEDED, other=photos[near].name)
        else:
            why = note("photo.does-not-fit", count=many)
        found.append(LeftOut(photo.name, why))
    return found


def _nearest(photo: int, placed: Sequence[int]) -> int:
    """The placed photo that comes nearest in the order of the folder."""
    return min(placed, key=lambda one: (abs(one - photo), one))
