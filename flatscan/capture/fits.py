"""Whether a file fits into memory: most kinds are streamed whatever their size, a few must be held whole."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from flatscan.core.errors import ReadError

# peak memory over the size of the file, measured on files of 30 to 70 MB and rounded up: binary STL 6.8, PLY and OBJ
# meshes 4.0, GLB 3.5, compressed PCD 2.4
_HELD_WHOLE = {".stl": 8.0, ".obj": 5.0, ".glb": 5.0, ".gltf": 5.0}
_PLY_MESH, _PCD_COMPRESSED = 5.0, 3.0
# what reading takes besides: an even sample, its hashes and a block of rows
_BESIDE = 0.25e9
_HEAD = 65_536


def refuse_what_does_not_fit(path: Path) -> None:
    """Raise `ReadError`, with both numbers, for a file that must be held whole and would not fit into free memory."""
    with path.open("rb") as stream:
        share = _held_share(path, stream.read(_HEAD))
    if share == 0:
        return
    size, free = path.stat().st_size, free_memory()
    needed = share * size + _BESIDE
    if free is not None and needed > free:
        raise ReadError(
            path, f"{size / 1e9:.1f} GB of a kind that must be held whole: about {needed / 1e9:.1f} GB of memory",
            needed=f"at most {free / 1e9:.1f} GB, which is free here",
            remedy="Export it as binary PLY points, LAS or LAZ, which are read in parts, or use a larger machine",
        )  # fmt: skip


def _held_share(path: Path, head: bytes) -> float:
    """Memory over file size; 0 for what is streamed."""
    if head.startswith(b"ply"):
        top = head.split(b"end_header", 1)[0]
        return _PLY_MESH if b"element face" in top and b"element face 0" not in top else 0.0
    if b"DATA binary_compressed" in head[:4096]:
        return _PCD_COMPRESSED
    return _HELD_WHOLE.get(path.suffix.lower(), 0.0)


def free_memory() -> int | None:
    """Bytes this process may still take: what the machine has to give, and no more than a limit set on the process."""
    known = [value for value in (_machine(), _limit()) if value is not None]
    return min(known) if known else None


def _machine() -> int | None:
    try:
        with Path("/proc/meminfo").open(encoding="ascii") as lines:
            return next(int(line.split()[1]) * 1024 for line in lines if line.startswith("MemAvailable"))
    except (OSError, StopIteration, ValueError):
        pass
    try:
        # no figure for what is free: all there is
        return int(os.sysconf("SC_PAGE_SIZE")) * int(os.sysconf("SC_PHYS_PAGES"))
    except (AttributeError, ValueError, OSError):
        return None


def _limit() -> int | None:
    if sys.platform == "win32":
        return None
    import resource

    soft = resource.getrlimit(resource.RLIMIT_DATA)[0]
    return None if soft == resource.RLIM_INFINITY else soft
