"""Show how sure plain photos of a bare wall are: drawn rooms through the whole check, against their true relief.

Each room is drawn (`photo_room_model`) with a lens of its own, half of them with errors that no adjustment here solves
for, and goes as a folder of JPEGs through the public functions. Its largest gap is 0.6 or 1.4 times the limit. Said of
each: the random part of cells; how many gaps chosen without looking lie within 1.96 u of the truth, alone and
tied by twelve readings; whether the true largest gap lies between the bounds; what is decided. A depth scan of the
same walls, 8 mm warp over 2 m stated, is tied by the same readings for comparison.

    python scripts/prove_photos.py --rooms 20 --megapixels 2
    python scripts/prove_photos.py --rooms 1 --megapixels 12 --first 100
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from drawn_wall_model import WallTold, draw_wall
from photo_room_model import ODD, PhotoRoom, PhotoTold
from prove_tie import at_most
from warp_model import waves

from flatscan import jobs
from flatscan.core.errors import FlatscanError
from flatscan.core.reliefs import Grid
from flatscan.core.warp import CommonError
from flatscan.jobs.checking import check_seen
from flatscan.jobs.seeing import read, seen_in, tied
from flatscan.relief import capture_type
from flatscan.straightedge import sweep

Array = np.ndarray
LIMIT, READINGS = 0.005, 12
SHARES, LOOKS = (0.6, 1.4), ("blocks", "brick", "roughcast", "render")
U_READING, STATED = 0.65e-3, CommonError(0.008, 2.0)
LASER = capture_type("laser-readings")
# places are looked for within so much of where outlines lie on each other, in such steps [m]
REACH, STEP = 0.03, 0.001


@dataclass(frozen=True)
class Kind:
    """Which rooms: how wide and high from and to [m], how far off photos are taken [m], the straightedge [m]."""

    wide: tuple[float, float] = (3.0, 4.0)
    high: tuple[float, float] = (2.2, 2.5)
    distance: tuple[float, float] = (1.7, 2.2)
    rule: float = 2.0
    target: float = 0.12


WHOLE, NEAR = Kind(), Kind((1.7, 2.0), (1.2, 1.4), (0.9, 1.1), 1.0, 0.09)


def room_of(number: int, megapixels: float, kind: Kind) -> PhotoRoom:
    """A room by its number: look, size, lens and errors of its own; its largest gap as the share says."""
    rng = np.random.default_rng([7, number])
    wide, high = rng.uniform(*kind.wide), rng.uniform(*kind.high)
    humps = tuple((rng.uniform(0.3, wide - 0.3), rng.uniform(0.3, high - 0.3), size * rng.uniform(0.7, 1.3),
                   rng.uniform(0.15, 0.35)) for size in (0.004, -0.003, 0.003))  # fmt: skip
    wall = WallTold(round(wide, 3), round(high, 3), LOOKS[number % len(LOOKS)], lean=rng.normal(0, 0.004), humps=humps,
                    warp=(1.0, 0.0015), target=kind.target, seed=number)  # fmt: skip
    wall = with_gap(wall, SHARES[number // len(LOOKS) % 2] * LIMIT, kind.rule)
    odd = tuple(rng.choice(ODD, 2, replace=False)) if number % 2 else ()
    lens = replace(PhotoTold().lens, radial=(rng.normal(0.03, 0.03), rng.normal(-0.06, 0.03), 0.0),
                   focal=rng.uniform(0.70, 0.80))  # fmt: skip
    distance = float(rng.uniform(*kind.distance))
    return PhotoRoom(wall, PhotoTold(megapixels, distance, lens=lens, odd=odd, seed=number))


def with_gap(wall: WallTold, wanted: float, rule: float) -> WallTold:
    """The wall with its warp and humps made so large that its largest gap is as wanted, where joints let it be."""
    factor = 1.0
    for _ in range(4):
        scaled = replace(wall, warp=(wall.warp[0], wall.warp[1] * factor),
                         humps=tuple((x, y, z * factor, sd) for x, y, z, sd in wall.humps))  # fmt: skip
        found = largest(draw_wall(replace(scaled, fine=0.0025)).cells(0.02), 0.02, rule)
        factor = float(np.clip(factor * wanted / found, 0.05, 6.0))
    return scaled


def largest(z: Array, cell: float, rule: float) -> float:
    """The largest resting gap [m] of offsets (up, along) known without error."""
    return float(sweep(relief_of(z, cell, CommonError(0.0)), rule, workers=1).worst.value)


def relief_of(z: Array, cell: float, common: CommonError, halves: tuple[Array, Array] | None = None) -> Grid:
    """Offsets as a relief."""
    known = np.isfinite(z)
    x, y = ((np.arange(many) + 0.5) * cell for many in z.shape[::-1])
    return Grid(x=x, y=y, offset=z, u=np.where(known, 1e-6, np.nan), count=np.where(known, 20, 0), inside=known,
                area=np.full(z.shape, cell**2), cell=cell, common=common,
                half_a=z if halves is None else halves[0], half_b=z if halves is None else halves[1])  # fmt: skip


def truth_on(relief: Grid, room: PhotoRoom) -> tuple[Array, tuple[float, float]]:
    """True offsets on a relief's cells, once it is found how far the outline's corner lies off the wall's own."""
    fine = room.wall.told.fine
    many = max(1, round(relief.cell / fine))
    # the mean of each cell at every place it may be at
    means = cv2.blur(room.wall.z, (many, many), borderType=cv2.BORDER_REPLICATE)
    x, y = np.meshgrid(relief.x, relief.y)
    best, at = -np.inf, (0.0, 0.0)
    known = relief.valid
    mine = fine_part(relief.offset, known, relief.cell)
    for step, reach in ((0.004, REACH), (STEP, 0.004)):
        middle = at
        for dx in np.arange(-reach, reach + 1e-9, step) + middle[0]:
            for dy in np.arange(-reach, reach + 1e-9, step) + middle[1]:
                there = fine_part(sampled(means, x + dx, y + dy, fine), known, relief.cell)
                alike = float(np.nansum(mine * there) / np.sqrt(np.nansum(mine**2) * np.nansum(there**2)))
                if alike > best:
                    best, at = alike, (float(dx), float(dy))
    return np.where(known, sampled(means, x + at[0], y + at[1], fine), np.nan), at


def sampled(field: Array, x: Array, y: Array, fine: float) -> Array:
    """A field at places [m]."""
    # OpenCV's maps have rows and columns
    at = [np.atleast_2d(one / fine).astype(np.float32) for one in (x, y)]
    found = cv2.remap(field, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return found.astype(float).reshape(x.shape)


def fine_part(z: Array, known: Array, cell: float) -> Array:
    """What is left of offsets when all that is broader than 200 mm is taken out."""
    size = (0, 0), 0.1 / cell
    weight = cv2.GaussianBlur(known.astype(float), *size)
    broad = cv2.GaussianBlur(np.where(known, np.nan_to_num(z), 0.0), *size) / np.maximum(weight, 1e-9)
    return np.where(known & (weight > 0.5), z - broad, np.nan)


def gap_ratios(relief: Grid, truth: Array, rule: float) -> Array:
    """Error over stated u of gaps along and up, contacts and places on cells chosen without looking."""
    wrong, found = relief.offset - truth, []
    u = np.nan_to_num(relief.u)
    for long in (0.25 * rule, 0.5 * rule, 0.95 * rule):
        for turn in (False, True):
            error, own = (wrong.T, u.T) if turn else (wrong, u)
            near = round(long / 2 / relief.cell)
            rows, cols = np.arange(3, error.shape[0], 11), np.arange(3, error.shape[1] - 2 * near, 13)
            if not len(cols):
                continue
            row, col = np.meshgrid(rows, cols, indexing="ij")
            three = [error[row, col + k * near] for k in range(3)]
            random = np.sqrt(own[row, col] ** 2 / 4 + own[row, col + near] ** 2 + own[row, col + 2 * near] ** 2 / 4)
            lines = (relief.y if turn else relief.x), (relief.x if turn else relief.y)
            places = [np.stack([lines[0][col + k * near], lines[1][row]], axis=-1) for k in range(3)]
            places = [place[..., ::-1] if turn else place for place in places]
            stated = np.hypot(relief.common.u_gap_at(*places), random)
            found.append(((three[0] + three[2]) / 2 - three[1]) / stated)
    ratios = np.concatenate([one.ravel() for one in found])
    return ratios[np.isfinite(ratios)]


def readings(room: PhotoRoom, folder: Path) -> Path:
    """A table of twelve laser readings at places over the wall, from a plumb plane that is a little bent."""
    rng = np.random.default_rng([11, room.told.seed])
    wide, high = room.wall.told.width, room.wall.told.height
    x, y = np.meshgrid(np.linspace(0.2, wide - 0.2, 4), np.linspace(0.2, high - 0.2, 3))
    at = np.round(np.column_stack([x.ravel(), y.ravel()]) + rng.uniform(-0.05, 0.05, (READINGS, 2)), 2)
    fan = waves(LASER.common_error().length, LASER.common_error().sd, rng)
    # a rule's foot covers some 20 mm of the wall
    mean = cv2.blur(room.wall.z, (max(1, round(0.02 / room.wall.told.fine)),) * 2)
    z = sampled(mean, at[:, 0], at[:, 1], room.wall.told.fine) + fan(at) + rng.normal(0, U_READING, READINGS)
    lines = ["units, mm", "sense, big = hollow", f"width, {wide} m", f"height, {high} m", "", "x, y, reading"]
    lines += [f"{px}, {py}, {120 - 1000 * value:.1f}" for (px, py), value in zip(at, z, strict=True)]
    (folder / "tie.csv").write_text("\n".join(lines) + "\n")
    return folder / "tie.csv"


def one_room(number: int, megapixels: float, kind: Kind, keep: Path | None) -> dict[str, Any]:
    """All that is said of one room."""
    room = room_of(number, megapixels, kind)
    place = Path(tempfile.mkdtemp(prefix="photos-")) if keep is None else keep / f"room{number:03d}"
    said: dict[str, Any] = {"room": number, "look": room.wall.told.look, "odd": list(room.told.odd)}
    said |= {"photos": len(room.poses), "megapixels": megapixels}
    try:
        folder = room.write(place / "photos", scale="targets", taped=0.001)
        started = time.monotonic()
        said |= measured(room, folder, place, kind.rule)
        said["seconds"] = round(time.monotonic() - started)
    except FlatscanError as refused:
        said["refused"] = str(refused)
    finally:
        if keep is None:
            shutil.rmtree(place, ignore_errors=True)
    return said


def measured(room: PhotoRoom, folder: Path, place: Path, rule: float) -> dict[str, Any]:
    """The photos through reading, seeing, tying and checking."""
    asked = jobs.Requirement(rule=rule, limit=LIMIT)
    how = jobs.Capturing()
    cloud = read(folder, how)
    alone = seen_in(cloud, how)
    grid = alone.relief
    truth, moved = truth_on(grid, room)
    off = fine_part(grid.offset - truth, grid.valid, grid.cell)
    off = off[np.isfinite(off)]
    known = grid.valid.sum() * grid.cell**2 / (room.wall.told.width * room.wall.told.height)
    said = {"covered": round(float(known), 3), "random_mm": mm(np.median(np.abs(off)) * 1.4826),
            "random_95_mm": mm(np.quantile(np.abs(off), 0.95)), "u_mm": mm(np.nanmedian(grid.u)),
            "cell_mm": mm(grid.cell), "moved_mm": [mm(one) for one in moved]}  # fmt: skip
    true = largest(np.where(grid.valid, truth, np.nan), grid.cell, rule)
    said["true_mm"] = mm(true)
    tie = readings(room, place)
    bound = tied(alone, replace(how, tie=str(tie)), jobs.silent)
    for name, seen in (("alone", alone), ("tied", bound)):
        said[name] = judged(seen, truth, true, asked)
    said["depth"] = depth_scan(room, tie, bound, truth, true, asked)
    return said


def judged(seen: Any, truth: Array, true: float, asked: jobs.Requirement) -> dict[str, Any]:
    """Gaps within 1.96 u, the largest gap's bounds, and the decision."""
    checked = check_seen(seen, asked)
    ratios = gap_ratios(seen.relief, truth, asked.rule)
    gaps = checked.gaps
    right = "within" if true <= LIMIT else "outside"
    found = {"gaps_in": int((np.abs(ratios) <= 1.96).sum()), "gaps": len(ratios)}
    found |= {"low_mm": mm(gaps.lower), "high_mm": mm(gaps.upper)}
    found["held"] = bool((gaps.lower is None or gaps.lower <= true) and (gaps.upper is None or true <= gaps.upper))
    decision = next(one.decision for one in checked.verdict.criteria if one.name == "flatness")
    return found | {"decision": decision, "right": decision == right, "false": decision not in (right, "undecided")}


def depth_scan(room: PhotoRoom, tie: Path, like: Any, truth: Array, true: float, asked: jobs.Requirement) -> Any:
    """The same wall as a depth scan shows it, 8 mm warp over 2 m as stated, tied by the same readings."""
    rng = np.random.default_rng([13, room.told.seed])
    grid = like.relief
    x, y = np.meshgrid(grid.x, grid.y)
    warp = waves(STATED.length, STATED.sd, rng)(np.column_stack([x.ravel(), y.ravel()])).reshape(x.shape)
    halves = tuple(truth + warp + rng.normal(0, 0.0015, x.shape) for _ in range(2))
    scan = replace(grid, offset=(halves[0] + halves[1]) / 2, half_a=halves[0], half_b=halves[1], common=STATED,
                   u=np.where(grid.valid, 0.0015 / np.sqrt(2), np.nan))  # fmt: skip
    seen = replace(like, relief=scan, tie=None)
    return judged(tied(seen, replace(jobs.Capturing(), tie=str(tie)), jobs.silent), truth, true, asked)


def mm(value: Any) -> Any:
    return None if value is None else round(1000 * float(value), 3)


def summed(rows: list[dict[str, Any]], rule: float) -> None:
    """The table."""
    done = [row for row in rows if "refused" not in row]
    print(f"\n{len(rows)} rooms, {len(rows) - len(done)} refused, limit {1000 * LIMIT:g} mm, rule {rule:g} m")
    if not done:
        return
    spread = [row["random_mm"] for row in done]
    print(
        f"random part of cells: median {np.median(spread):.2f}, largest {max(spread):.2f} mm; stated "
        f"{np.median([row['u_mm'] for row in done]):.2f}; covered {np.median([row['covered'] for row in done]):.0%}"
    )
    print(f"{'':18s}{'gaps in 1.96 u':>16s}{'held':>8s}{'right':>8s}{'false':>8s}{'false at most':>15s}")
    for odd in (None, False, True):
        some = [row for row in done if odd is None or bool(row["odd"]) == odd]
        for name in ("alone", "tied", "depth") if some else ():
            of = [row[name] for row in some]
            inside = sum(one["gaps_in"] for one in of) / max(sum(one["gaps"] for one in of), 1)
            false = sum(one["false"] for one in of)
            label = f"{name}{'' if odd is None else ', odd' if odd else ', plain'}"
            print(f"{label:18s}{inside:16.1%}{sum(one['held'] for one in of):5d}/{len(of):<2d}"
                  f"{sum(one['right'] for one in of):5d}/{len(of):<2d}{false:5d}/{len(of):<2d}"
                  f"{at_most(false, len(of)):15.1%}")  # fmt: skip


def main() -> int:
    """A line of JSON a room, then the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rooms", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--megapixels", type=float, default=2.0)
    parser.add_argument("--minutes", type=float, default=1e9, help="fewer rooms where these are over")
    parser.add_argument("--keep", type=Path, help="folder that keeps photos and readings")
    parser.add_argument("--near", action="store_true", help="parts of walls, 1.7 to 2 m wide, from 1 m off")
    asked = parser.parse_args()
    kind = NEAR if asked.near else WHOLE
    started, rows = time.monotonic(), []
    for number in range(asked.first, asked.first + asked.rooms):
        if time.monotonic() - started > 60 * asked.minutes:
            break
        rows.append(one_room(number, asked.megapixels, kind, asked.keep))
        print(json.dumps(rows[-1]), flush=True)
    summed(rows, kind.rule)
    return 0


if __name__ == "__main__":
    sys.exit(main())
