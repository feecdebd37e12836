"""Sums along lines of cells, compiled: how large they get and how large they usually are."""

from __future__ import annotations

import numpy as np

from flatscan.core.kernels import compiled


@compiled
def line_extremes(field, up, along, beside_up, beside_along, wide, lengths):  # type: ignore[no-untyped-def]
    """Largest, least and mean size (k, 3) of sums of ``lengths`` (k,) cells of ``field`` (rows, cols) along lines.

    A line goes on by ``up`` and ``along`` cells (``up`` not negative); with ``wide`` 2 the cells one ``beside`` are
    added. Sums begin at every cell from which the whole length lies on the field.
    """
    rows, cols = field.shape
    count = len(lengths)
    found = np.zeros((count, 3))
    found[:, 0], found[:, 1] = -np.inf, np.inf
    number = np.zeros(count)
    sums = np.zeros(max(rows, cols) + 2)
    for row in range(rows):
        for col in range(cols):
            if 0 <= row - up < rows and 0 <= col - along < cols:
                continue
            n, r, c = 0, row, col
            while 0 <= r < rows and 0 <= c < cols:
                value = field[r, c]
                if wide == 2 and r + beside_up < rows and c + beside_along < cols:
                    value += field[r + beside_up, c + beside_along]
                n += 1
                sums[n] = sums[n - 1] + value
                r += up
                c += along
            for k in range(count):
                length = lengths[k]
                high, low, size = found[k, 0], found[k, 1], 0.0
                for i in range(n - length + 1):
                    total = sums[i + length] - sums[i]
                    high, low = max(high, total), min(low, total)
                    size += abs(total)
                found[k, 0], found[k, 1] = high, low
                found[k, 2] += size
                number[k] += max(n - length + 1, 0)
    for k in range(count):
        found[k, 2] /= max(number[k], 1.0)
    return found
