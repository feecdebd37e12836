"""What cutting a hump takes: minutes of one person, and rubble for the skip. The only place that knows these rates.

Common practice, without a printed source: cables looked for, sheets laid, mask on and swept up in ten minutes a hump;
with hammer and bolster or a small breaker two litres of masonry an hour; broken masonry takes up half as much again.
"""

from __future__ import annotations

MINUTES_A_HUMP = 10.0
MINUTES_PER_M3 = 30e3
SWELL = 1.5


def minutes_of(volume: float, humps: int) -> float:
    """Minutes one person takes to cut so many humps, ``volume`` [m3] of masonry in all."""
    return MINUTES_A_HUMP * humps + MINUTES_PER_M3 * volume


def rubble_of(volume: float) -> float:
    """Broken masonry [m3] out of so much that was cut [m3]."""
    return SWELL * volume
