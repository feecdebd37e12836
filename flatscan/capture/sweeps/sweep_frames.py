"""Frames of a sweep, one after the other: a video or photos, checked by their headers before any work."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.pictures import read_picture, size_of
from flatscan.capture.sweeps.sweep_setup import Sweep
from flatscan.core.errors import ReadError
from flatscan.core.quantity import share

Pixels = NDArray[np.uint8]
# a minute and a half of a phone's usual video, three minutes at the most: what is more is a wrong recording
MOST_LIGHT, FEWEST = 15_000_000_000, 12
# frames that a whole file may lack of what its header states
_LACKING = 0.02
# what videos of phones and cameras begin with: MP4 and MOV, AVI, Matroska and WebM. No playlist, which names others
_VIDEO = ((4, b"ftyp"), (4, b"moov"), (4, b"mdat"), (4, b"wide"), (8, b"AVI "), (0, b"\x1aE\xdf\xa3"))


@dataclass(frozen=True, eq=False)
class Reel:
    """The frames of a sweep: how many there are by the header, and pixels across and down."""

    sweep: Sweep
    count: int
    width: int
    height: int

    def frames(self, wanted: range | None = None) -> Iterator[tuple[int, Pixels]]:
        """Number and colours (rows, cols, 3) of each frame, or of those ``wanted``; raises `ReadError` where it ends.

        One frame at a time is in memory.
        """
        return self._photos(wanted) if self.sweep.video is None else self._video(self.sweep.video, wanted)

    def name_of(self, number: int) -> Path:
        """What an error calls a frame by."""
        return self.sweep.name if self.sweep.video is not None else self.sweep.photos[number]

    def _photos(self, wanted: range | None) -> Iterator[tuple[int, Pixels]]:
        for number, path in enumerate(self.sweep.photos):
            if wanted is None or number in wanted:
                colours = read_picture(path).colours
                _refuse_size(path, colours.shape[1], colours.shape[0], self.width, self.height)
                yield number, colours

    def _video(self, path: Path, wanted: range | None) -> Iterator[tuple[int, Pixels]]:
        film, number = _opened(path), 0
        try:
            while film.grab():
                if wanted is None or number in wanted:
                    done, colours = film.retrieve()
                    if not done or colours is None:
                        break
                    yield number, np.asarray(colours, np.uint8)[..., ::-1]
                number += 1
        finally:
            film.release()
        if number < self.count * (1 - _LACKING) - 1:
            raise ReadError(
                path,
                "the video is cut off: {read} of {count} frames can be read",
                needed="all of them",
                remedy="Copy it again from the camera",
                read=number,
                count=self.count,
            )


def reel_of(sweep: Sweep) -> Reel:
    """What a sweep's files hold by their headers; raises `ReadError` for what cannot be read, is too short or long."""
    if sweep.video is None:
        sizes = [size_of(path) for path in sweep.photos]
        count, (width, height) = len(sizes), max(sizes)
    else:
        film = _opened(sweep.video)
        count, width, height = _stated(film)
        film.release()
    _refuse_length(sweep.name, count, width, height)
    if sweep.video is None:
        # a header does not tell which way up a picture is
        height, width = read_picture(sweep.photos[0]).colours.shape[:2]
    return Reel(sweep, count, width, height)


def _opened(path: Path) -> Any:
    import cv2

    with path.open("rb") as stream:
        head = stream.read(32)
    known = any(head[at : at + len(mark)] == mark for at, mark in _VIDEO)
    film = cv2.VideoCapture(str(path.resolve()), cv2.CAP_FFMPEG) if known else None
    if film is None or not film.isOpened():
        raise ReadError(
            path,
            "no video that can be read" if known else "this is no video; it begins with '{head}'",
            needed="an MP4, MOV, AVI, MKV or WebM file, whole",
            remedy="Copy it again from the camera, or give the frames as photos",
            head="".join(chr(byte) if 32 <= byte < 127 else "." for byte in head[:16]),
        )
    return film


def _stated(film: Any) -> tuple[int, int, int]:
    """Frames, and pixels across and down, by the header."""
    import cv2

    stated = [
        film.get(what) for what in (cv2.CAP_PROP_FRAME_COUNT, cv2.CAP_PROP_FRAME_WIDTH, cv2.CAP_PROP_FRAME_HEIGHT)
    ]
    count, width, height = (int(value) if np.isfinite(value) and 0 < value < 1e9 else 0 for value in stated)
    return count, width, height


def _refuse_length(path: Path, count: int, width: int, height: int) -> None:
    if count < FEWEST:
        raise ReadError(
            path,
            "{count} frames",
            needed="at least {least}: one line each",
            remedy="Turn the laser slowly over the whole wall; fewer lines are given as [[line]]",
            count=count,
            least=FEWEST,
        )
    if count * width * height > MOST_LIGHT:
        raise ReadError(
            path,
            "{count} frames of {width} x {height} pixels by its header",
            needed="at most {most:number.0} million pixels in all",
            remedy="Record half a minute, or at 1920 x 1080",
            count=count,
            width=width,
            height=height,
            most=share(MOST_LIGHT / 1e6),
        )


def _refuse_size(path: Path, width: int, height: int, first_width: int, first_height: int) -> None:
    if (width, height) != (first_width, first_height):
        raise ReadError(
            path,
            "{width} x {height} pixels, but the first picture has {wide} x {high}",
            needed="pictures of one camera that stands still",
            remedy="Take all of them without touching the camera",
            width=width,
            height=height,
            wide=first_width,
            high=first_height,
        )
