"""Scans of one wall in any state and any coordinates, for the tests of comparing and sealing."""

import numpy as np

WIDTH, HEIGHT, HIGH = 2.4, 2.0, 0.022


def raw(x, y):
    def bump(x0, y0, high, wide):
        return high * np.exp(-((x - x0) ** 2 + (y - y0) ** 2) / (2 * wide**2))

    return 0.002 * y + bump(0.8, 1.2, 0.007, 0.12) + bump(1.7, 0.7, -0.005, 0.25)


def plastered(x, y):
    return HIGH + 0 * x


def strips_left(x, y):
    return np.where((x < 0.2) | (x > 2.2), raw(x, y), 0.012 + 0 * x)


def scan(path, surface, *, seed, yaw=0.4, move=(0.0, 0.0, 0.0), width=WIDTH, height=HEIGHT, noise=0.0004, n=30_000):
    """A scan of a wall 2 m before the file's origin, z up, as binary PLY; ``move`` shifts the whole file."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, width, n), rng.uniform(0, height, n)
    z = surface(x, y) + rng.normal(0, noise, n)
    local = np.stack([x - width / 2, 2.0 - z, y], axis=1)
    c, s = np.cos(yaw), np.sin(yaw)
    points = local @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]).T + move
    header = f"ply\nformat binary_little_endian 1.0\nelement vertex {n}\n"
    header += "property double x\nproperty double y\nproperty double z\nend_header\n"
    path.write_bytes(header.encode() + points.astype("<f8").tobytes())
    return path
