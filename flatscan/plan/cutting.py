"""Humps that are going to be cut: where, and how deep."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Cut:
    """A cut at ``x``, ``y`` [m] on a hump, ``depth`` [m] back from its top."""

    x: float
    y: float
    depth: float
