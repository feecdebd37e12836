"""How far drawn photos are placed off, against what their modes say: rooms whose cameras and lenses are known.

python scripts/prove_placing.py --rooms 6 [--odd lens] [--megapixels 1] [--seed 500]

A grid of places on the true wall is projected by the true cameras and lens, and triangulated by the placed ones: what
is left after a shift, turn and stretch is what a relief from these photos has in common, free of matching. The modes'
own effect on the same places, summed in squares, is what was promised.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np
from drawn_wall_model import WallTold
from photo_room_model import ODD, PhotoRoom, PhotoTold

from flatscan.capture.photos.bundle import Bundle, Placed
from flatscan.capture.photos.photo_placing import place_photos
from flatscan.core.errors import FlatscanError
from flatscan.core.geometry import Array

# rays further aside than the picture's corners come back into it through the lens's polynomial
_WIDE, _HIGH = 0.72, 0.56


def laid_on(found: Array, true: Array) -> Array:
    """Places (n, 3) by shift, turn and stretch on true ones (Umeyama, IEEE PAMI 13, 1991)."""
    a, b = found - found.mean(axis=0), true - true.mean(axis=0)
    first, sizes, second = np.linalg.svd(b.T @ a)
    sign = np.diag([1.0, 1.0, np.sign(np.linalg.det(first @ second))])
    turn = first @ sign @ second
    return (sizes @ np.diag(sign)) / (a**2).sum() * a @ turn.T + true.mean(axis=0)


def unlevelled(places: Array, z: Array) -> Array:
    """Heights without the plane that fits them best."""
    plane = np.column_stack([np.ones(len(places)), places[:, :2]])
    return z - plane @ np.linalg.lstsq(plane, z, rcond=None)[0]


def triangulated(photos: tuple[Placed, ...], seen: list[tuple[Array, Array]], many: int) -> Array:
    """Places (many, 3) nearest to all rays; ``seen`` holds rows and pixels of each photo."""
    matrix, right = np.zeros((many, 3, 3)), np.zeros((many, 3))
    for photo, (rows, pixels) in zip(photos, seen, strict=True):
        rays = np.column_stack([photo.camera.straight(pixels), np.ones(len(rows))]) @ photo.rotation
        rays /= np.linalg.norm(rays, axis=1)[:, None]
        across = np.eye(3) - rays[:, :, None] * rays[:, None, :]
        np.add.at(matrix, rows, across)
        np.add.at(right, rows, across @ photo.centre)
    return np.linalg.solve(matrix, right[..., None])[..., 0]


def projected(room: PhotoRoom, number: int, places: Array) -> tuple[Array, Array]:
    """Rows of the places that a drawn photo shows, and their pixels."""
    pose, (wide, high) = room.poses[number], room.told.size
    there = (places - pose.centre) @ pose.turn.T
    u, v = there[:, 0] / there[:, 2], there[:, 1] / there[:, 2]
    pixels = np.column_stack(room.lens.bent(u, v)) * room.focal[number]
    pixels += (np.array([wide, high]) - 1) / 2 + np.array(room.lens.off) * wide
    inside = (np.abs(u) < _WIDE) & (np.abs(v) < _HIGH) & (pixels > 0).all(axis=1)
    rows = np.flatnonzero(inside & (pixels < [wide - 1, high - 1]).all(axis=1))
    return rows, pixels[rows]


def compared(room: PhotoRoom, bundle: Bundle) -> tuple[float, float, float]:
    """Root mean square of what heights have in common, what the modes promise, and the longest length's error."""
    wall = room.wall.told
    x, y = (one.ravel() for one in np.meshgrid(np.linspace(0.05, wall.width - 0.05, 37),
                                               np.linspace(0.05, wall.height - 0.05, 25)))  # fmt: skip
    heights = room.wall.at(*(one.astype(np.float32)[None] for one in (x, y)))[0]
    places = np.column_stack([x, y, heights]).astype(float)
    numbers = [room.names.index(one.name) for one in bundle.photos]
    seen = [projected(room, number, places) for number in numbers]
    often = np.bincount(np.concatenate([rows for rows, _ in seen]), minlength=len(places)) > 1
    new = np.cumsum(often) - 1
    seen = [(new[rows[often[rows]]], pixels[often[rows]]) for rows, pixels in seen]
    places, many = places[often], int(often.sum())
    found = triangulated(bundle.photos, seen, many)
    off = unlevelled(places, (laid_on(found, places) - places)[:, 2])
    own = [(rows, one.seen(found[rows])) for one, (rows, _) in zip(bundle.photos, seen, strict=True)]
    base = triangulated(bundle.photos, own, many)[:, 2]
    told = [unlevelled(places, triangulated(mode, own, many)[:, 2] - base) for mode in bundle.modes]
    span = np.linalg.norm(np.ptp(found[:, :2], axis=0)) / np.linalg.norm(np.ptp(places[:, :2], axis=0)) - 1
    return float(np.sqrt((off**2).mean())), float(np.sqrt(np.mean(np.sum(np.square(told), axis=0)))), float(span)


def main() -> None:
    """A line a room, then all together."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--rooms", type=int, default=6)
    asked.add_argument("--odd", default="", help=f"of {', '.join(ODD)}, with commas")
    asked.add_argument("--megapixels", type=float, default=1.0)
    asked.add_argument("--look", default="brick")
    asked.add_argument("--seed", type=int, default=500)
    told = asked.parse_args()
    off, promised = [], []
    for seed in range(told.seed, told.seed + told.rooms):
        odd = tuple(filter(None, told.odd.split(",")))
        room = PhotoRoom(WallTold(3.0, 2.2, told.look, seed=seed), PhotoTold(told.megapixels, odd=odd, seed=seed))
        with tempfile.TemporaryDirectory() as folder:
            try:
                bundle = place_photos(room.write(Path(folder) / "wall", taped=0.001))
            except FlatscanError as reason:
                print(f"{seed}: {reason}")
                continue
        one, other, span = compared(room, bundle)
        off.append(one)
        promised.append(other)
        u = 1e3 * (bundle.scale_u or 0.0)
        print(f"{seed}: {len(bundle.photos)} photos, heights off by {1e3 * one:.3f} mm, promised "
              f"{1e3 * other:.3f} mm, lengths {1e3 * span:+.2f} mm per m (u {u:.2f}), {bundle.u_reprojection:.3f} px",
              flush=True)  # fmt: skip
    if off:
        rms = [1e3 * float(np.sqrt(np.mean(np.square(one)))) for one in (off, promised)]
        print(f"{len(off)} rooms{' with ' + told.odd if told.odd else ''}: {rms[0]:.3f} mm, promised {rms[1]:.3f} mm")


if __name__ == "__main__":
    main()
