"""What the tests of the main job compare with: a plain search over straightedges laid on a formula."""

import numpy as np


def largest_gap(shape, rule, step):
    """Largest gap [m] under a resting straightedge in twelve directions, by trying all pairs of contacts."""
    return max(_over_lines(_lines(shape, np.radians(angle), step), round(rule / step)) for angle in range(0, 180, 15))


def _lines(shape, angle, step):
    """Offsets on parallel lines over the wall (lines, samples), NaN off it."""
    cos, sin = np.cos(angle), np.sin(angle)
    reach = np.hypot(shape.width, shape.height)
    across, along = np.meshgrid(np.arange(-reach, reach, step), np.arange(-reach, reach, step), indexing="ij")
    x, y = along * cos - across * sin, along * sin + across * cos
    on = (x > 0) & (x < shape.width) & (y > 0) & (y < shape.height)
    return np.where(on, shape.offset(x, y), np.nan)


def _over_lines(lines, reach):
    lines = lines[np.isfinite(lines).any(axis=1)]
    worst = 0.0
    for span in range(2, reach + 1):
        left, right = lines[:, :-span], lines[:, span:]
        for offset in range(1, span):
            share = offset / span
            gap = (1 - share) * left + share * right - lines[:, offset : lines.shape[1] - span + offset]
            worst = max(worst, float(np.nanmax(gap)))
    return worst
