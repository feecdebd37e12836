"""Walls, origins and notes as plain JSON and back, numbers to the last bit; nothing but these types is ever made."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np

from flatscan.core.geometry import Frame
from flatscan.core.model import Opening, Origin, Plumb, Wall
from flatscan.core.notes import Note
from flatscan.core.quantity import Quantity
from flatscan.wall import Corner, Room

_TYPES = {kind.__name__: kind for kind in (Room, Wall, Frame, Opening, Plumb, Corner, Origin, Note, Quantity)}


def plain(value: Any) -> Any:
    """Dicts, lists, numbers and words for `Room`, `Origin` and all they hold; raises `TypeError` for anything else."""
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    if isinstance(value, (np.floating, np.integer)):
        return value.item()
    if isinstance(value, np.ndarray):
        return {"array": value.tolist()}
    if isinstance(value, tuple):
        return [plain(part) for part in value]
    if type(value).__name__ in _TYPES:
        return {"is": type(value).__name__} | {item.name: plain(getattr(value, item.name)) for item in fields(value)}
    raise TypeError(f"a {type(value).__name__} is no part of a room")


def made(value: Any) -> Any:
    """What `plain` was given; raises `KeyError` or `TypeError` where the text is none of ours."""
    if isinstance(value, list):
        return tuple(made(part) for part in value)
    if not isinstance(value, dict):
        return value
    if "array" in value:
        return np.array(value["array"], dtype=np.float64)
    parts = dict(value)
    return _TYPES[parts.pop("is")](**{name: made(part) for name, part in parts.items()})
