"""Colours of points, as formats keep them, as red, green and blue from 0 to 255: for pictures only, never measured."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
# what fields and columns are called, whole or packed into one number (PCL's rgb and rgba)
NAMES = (("red", "green", "blue"), ("r", "g", "b"), ("diffuse_red", "diffuse_green", "diffuse_blue"))
PACKED = ("rgb", "rgba")
_BYTE, _WORD = 255, 65535


def as_bytes(values: NDArray[np.generic]) -> Bytes:
    """Red, green and blue (k, 3) of any kind: real numbers up to 1, bytes, or words of 16 bits, told by the largest."""
    whole = np.issubdtype(values.dtype, np.integer)
    with np.errstate(invalid="ignore"):
        numbers = np.nan_to_num(values.astype(np.float64), nan=0.0, posinf=0.0, neginf=0.0)
    top = float(numbers.max(initial=0.0))
    of_words = 1.0 if top <= _BYTE else _BYTE / _WORD
    scale = float(_BYTE) if not whole and top <= 1.0 else of_words
    return np.clip(numbers * scale, 0, _BYTE).astype(np.uint8)


def unpacked(packed: NDArray[np.generic]) -> Bytes:
    """Red, green and blue (k, 3) of numbers that hold them in their low 24 bits, also where they pass for floats."""
    single = packed.astype(np.float32) if packed.dtype.kind == "f" else None
    bits = single.view(np.uint32) if single is not None else packed.astype(np.uint32)
    return np.stack([(bits >> shift) & _BYTE for shift in (16, 8, 0)], axis=1).astype(np.uint8)


def of_columns(columns: NDArray[np.generic]) -> Bytes:
    """Colours out of three columns (k, 3), or one that holds them packed (k, 1)."""
    return unpacked(np.ascontiguousarray(columns[:, 0])) if columns.shape[1] == 1 else as_bytes(columns)
