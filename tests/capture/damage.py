"""Small files of every format and ways to damage them, for the fuzz test and for scripts/fuzz."""

import base64
import json

import numpy as np


def corpus(make, folder):
    """Whole files of every format by name, some 5 kB each; ``make`` holds the writers of conftest."""
    wall = make.wall_points(150)
    sheet = make.sheet_mesh(cells=(8, 5))
    quarter = np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]])
    text = "\n".join(" ".join(f"{part:.4f}" for part in row) for row in wall) + "\n"
    document, packed = make.gltf_document(*sheet)
    files = {
        "little.ply": make.ply_bytes(wall),
        "big.ply": make.ply_bytes(wall, order=">", code="f8", extra=[("red", "uchar", "u1")]),
        "text.ply": make.ply_bytes(wall, order=""),
        "mesh.ply": make.ply_mesh(*sheet),
        "textmesh.ply": make.ply_mesh(*sheet, "", face_extra=True),
        "text.pcd": make.pcd_bytes(wall, "ascii"),
        "binary.pcd": make.pcd_bytes(wall, view="1 2 3 0.5 0.5 0.5 0.5"),
        "packed.pcd": make.pcd_bytes(wall, "binary_compressed", code="f4"),
        "a.xyz": text.encode(),
        "a.pts": b"150\n" + text.encode(),
        "a.csv": b"x;y;z\n" + text.replace(" ", ";").replace(".", ",").encode(),
        "grid.csv": make.GRID.encode(),
        "a.ptx": make.ptx_bytes([(wall, quarter, np.array([1.0, 2, 3]))]),
        "a.stl": make.stl_bytes(*sheet),
        "text.stl": make.stl_text(*sheet).encode(),
        "a.obj": make.obj_text(*sheet).encode(),
        "a.glb": make.glb_bytes(document, packed),
        "a.gltf": json.dumps(
            document
            | {"buffers": [{"byteLength": len(packed), "uri": "data:;base64," + base64.b64encode(packed).decode()}]}
        ).encode(),
    }
    for name in ("a.las", "a.laz"):
        files[name] = make.las_file(folder / name, wall).read_bytes()
    scans = [
        {"points": wall, "translation": (1, 2, 3), "rotation": (1, 0, 0, 1), "single": True},
        {"points": wall, "invalid": np.arange(150) % 7 == 0},
    ]
    files["a.e57"] = make.e57_file(folder / "a.e57", scans).read_bytes()
    return files


def damaged(data, seed, case):
    """One damaged copy of ``data``, the same for the same seed and case."""
    rng = np.random.default_rng((seed, case))
    return WAYS[rng.integers(len(WAYS))](bytearray(data), rng)


def _cut(data, rng):
    return bytes(data[: rng.integers(len(data))])


def _flip(data, rng):
    for at in rng.integers(len(data), size=rng.integers(1, 8)):
        data[at] ^= 1 << rng.integers(8)
    return bytes(data)


def _flip_early(data, rng):
    """Headers are short: hit them on purpose."""
    for at in rng.integers(min(len(data), 400), size=rng.integers(1, 4)):
        data[at] = rng.choice([0, 1, 127, 255, 32, 45, 57, data[at] ^ 1])
    return bytes(data)


def _stuff(data, rng):
    at = rng.integers(len(data) + 1)
    return bytes(data[:at]) + rng.bytes(rng.integers(1, 40)) + bytes(data[at:])


def _drop(data, rng):
    start = rng.integers(len(data))
    return bytes(data[:start] + data[start + rng.integers(1, 60) :])


def _repeat(data, rng):
    start = rng.integers(len(data))
    part = data[start : start + rng.integers(1, 200)]
    return bytes(data[:start] + part * rng.integers(2, 6) + data[start:])


def _blank(data, rng):
    start = rng.integers(len(data))
    size = min(rng.integers(1, 100), len(data) - start)
    data[start : start + size] = bytes([rng.choice([0, 255])]) * size
    return bytes(data)


def _digits(data, rng):
    """Change a digit of the text in it: counts, sizes and places that still read as numbers."""
    places = [at for at in range(min(len(data), 2000)) if 48 <= data[at] <= 57]
    for at in rng.choice(places, size=2) if places else ():
        data[at] = rng.integers(48, 58)
    return bytes(data)


def _huge(data, rng):
    """Put a very large whole number where four bytes stood."""
    at = rng.integers(max(1, min(len(data), 600) - 8))
    data[at : at + 4] = rng.choice([2**31 - 1, 2**32 - 1, 2**30, 0]).astype("<u4").tobytes()
    return bytes(data)


def _mend_pages(data, rng):
    """Damage an E57 and write its page checksums anew, so that the damage is all that is wrong with it."""
    if data[:8] != b"ASTM-E57":
        return _flip(data, rng)
    _flip(data, rng)
    for start in range(0, len(data) - 1023, 1024):
        data[start + 1020 : start + 1024] = crc32c(data[start : start + 1020]).to_bytes(4, "big")
    return bytes(data)


def crc32c(data):
    """CRC-32C (Castagnoli polynomial, RFC 3720 B.4) of each E57 page."""
    value = 0xFFFFFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ (0x82F63B78 if value & 1 else 0)
    return value ^ 0xFFFFFFFF


WAYS = (_cut, _flip, _flip_early, _stuff, _drop, _repeat, _blank, _digits, _huge, _mend_pages)
