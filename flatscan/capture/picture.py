"""Ordinary pictures, which are no capture by themselves: what to do with one instead."""

from __future__ import annotations

from pathlib import Path

from flatscan.capture.registry import Format
from flatscan.capture.source import PointSource
from flatscan.core.errors import ReadError


def refuse_picture(path: Path) -> PointSource:
    """Raise `ReadError`: a picture holds no distances."""
    raise ReadError(
        path, "an ordinary picture, which holds no distances",
        needed="a depth image of 16 bits, or pictures of a laser line with their set-up",
        remedy="For a laser line give the set-up file (flatscan line SETUP.toml); for depth export the depth itself",
    )  # fmt: skip


def _is_picture(head: bytes) -> bool:
    heif = head[4:8] == b"ftyp" and head[8:12] in (b"heic", b"heix", b"heif", b"mif1", b"msf1", b"hevc")
    return head[:3] == b"\xff\xd8\xff" or head[:8] == b"\x89PNG\r\n\x1a\n" or heif


FORMAT = Format("picture", (".jpg", ".jpeg", ".heic", ".heif"), "points", _is_picture, refuse_picture)
