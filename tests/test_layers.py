"""Imports point down only, and heavy libraries stay inside the functions that need them (DEVELOPERS.md, The house)."""

import ast
from functools import cache
from pathlib import Path

from sources import PACKAGE as ROOT
from sources import nodes

import flatscan

STAGES = ("capture", "wall", "relief", "straightedge", "standards")
RANK = (
    {"core": 0, "methods": 1}
    | dict.fromkeys(STAGES, 3)
    | dict.fromkeys(("plan", "compare", "verdict"), 4)
    | {
        "jobs": 5,
        "report": 6,
        "evidence": 6.5,
        "site": 6.5,
        "library": 6.7,
        "desk": 6.8,
        "cli": 7,
        "__init__": 8,
        "__main__": 8,
    }
)
HEAVY = {
    "open3d",
    "cv2",
    "matplotlib",
    "laspy",
    "lazrs",
    "pye57",
    "ezdxf",
    "pycolmap",
    "numba",
    "rich",
    "distributed",
    "flask",
    "waitress",
    "segno",
}


@cache
def every_import():
    """File, top of the import, its rest and its column, for every import in the package."""
    found = [(path, alias.name, node.col_offset) for path, node in nodes(ast.Import) for alias in node.names]
    for path, node in nodes(ast.ImportFrom):
        assert node.level == 0, f"{path}: relative import"
        names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
        found += [(path, name, node.col_offset) for name in names]
    assert len(found) > 1000
    return [(path, *top_and_rest(name), column) for path, name, column in found]


def top_and_rest(name):
    top, *rest = name.split(".")
    return top, rest


def room_of(path: Path) -> str:
    return path.parts[0].removesuffix(".py")


def test_imports_point_down():
    up = [
        f"{path} imports {rest[0]}"
        for path, top, rest, _ in every_import()
        if top == "flatscan"
        and rest
        and rest[0] in RANK
        and rest[0] != room_of(path)
        and RANK[rest[0]] >= RANK[room_of(path)]
    ]
    assert up == []


def test_the_rooms_of_the_capture_build_on_each_other_one_way():
    """Lenses and marks, then lines in photos and sweeps of them, or plain photos; the registry names their formats."""
    below = {
        "calibration": {"calibration"},
        "lines": {"calibration", "lines"},
        "sweeps": {"calibration", "lines", "sweeps"},
        "photos": {"calibration", "photos"},
    }
    up = []
    for path, top, rest, _ in every_import():
        if top == "flatscan" and rest[:1] == ["capture"] and path.parts[0] == "capture" and rest[1] in below:
            may = below.get(path.parts[1], {"calibration"})
            up += [f"{path} imports {'.'.join(rest)}"] if rest[1] not in may else []
    assert up == []


def test_heavy_libraries_are_imported_where_they_are_needed():
    # the compiled kernels are the one place that is nothing without its library
    top_level = [
        f"{path} imports {top} at its top"
        for path, top, _, column in every_import()
        if top in HEAVY and column == 0 and not (top == "numba" and path.stem.endswith("kernel"))
    ]
    assert top_level == []


def test_no_room_is_imported_by_a_name_that_the_library_has():
    """`from flatscan import relief` is the library's function; ``from flatscan.relief import ...`` is the room."""
    for path, node in nodes(ast.ImportFrom):
        if node.module == "flatscan":
            names = {alias.name for alias in node.names} & set(flatscan.__all__)
            assert not names, f"{path}: import what is needed from {' and '.join(sorted(names))}"


def test_every_room_has_a_rank():
    assert {room_of(path.relative_to(ROOT)) for path in ROOT.rglob("*.py")} <= set(RANK)


def test_no_module_is_longer_than_a_reader_holds():
    lines = {path.relative_to(ROOT): path.read_text().count("\n") for path in ROOT.rglob("*.py")}
    assert [path for path, count in lines.items() if count > 400] == []


def test_no_two_modules_have_one_name():
    names = [path.stem for path in ROOT.rglob("*.py") if path.stem != "__init__"]
    assert sorted(name for name in set(names) if names.count(name) > 1) == []
