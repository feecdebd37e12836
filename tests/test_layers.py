"""Imports point down only, and heavy libraries stay inside the functions that need them (DESIGN, Layers)."""

import ast
from pathlib import Path

import pytest

import flatscan

ROOT = Path(flatscan.__file__).parent
STAGES = ("capture", "wall", "relief", "straightedge", "standards")
RANK = (
    {"core": 0, "methods": 1}
    | dict.fromkeys(STAGES, 3)
    | dict.fromkeys(("plan", "compare", "verdict"), 4)
    | {"jobs": 5, "report": 6, "evidence": 6.5, "site": 6.5, "desk": 6.8, "cli": 7, "__init__": 8, "__main__": 8}
)
HEAVY = {
    "open3d", "cv2", "matplotlib", "laspy", "lazrs", "pye57", "ezdxf", "numba", "rich", "distributed", "flask",
    "waitress", "segno",
}  # fmt: skip


def imports(path: Path):
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.col_offset) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module, node.col_offset
            yield from ((f"{node.module}.{alias.name}", node.col_offset) for alias in node.names)


@pytest.mark.parametrize("path", sorted(ROOT.rglob("*.py")), ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_point_down(path):
    room = path.relative_to(ROOT).parts[0].removesuffix(".py")
    for name, column in imports(path):
        top, *rest = name.split(".")
        # the compiled kernels are the one place that is nothing without its library
        if top in HEAVY and not (top == "numba" and path.stem.endswith("kernel")):
            assert column > 0, f"{path}: import {top} inside the function that needs it"
        if top == "flatscan" and rest and rest[0] in RANK:
            below = rest[0]
            assert below == room or RANK[below] < RANK[room], f"{path}: {room} may not import {below}"


def test_every_room_has_a_rank():
    rooms = {path.relative_to(ROOT).parts[0].removesuffix(".py") for path in ROOT.rglob("*.py")}
    assert rooms <= set(RANK)
