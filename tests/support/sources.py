"""The package's own source, read, parsed and walked once for all tests that look at it."""

import ast
from collections import defaultdict
from functools import cache
from pathlib import Path

import flatscan

PACKAGE = Path(flatscan.__file__).parent


@cache
def _nodes():
    found = defaultdict(list)
    for path in sorted(PACKAGE.rglob("*.py")):
        name = path.relative_to(PACKAGE)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            found[type(node)].append((name, node))
    return found


def nodes(*kinds):
    """Module (its path in the package) and node of every node of these kinds in the package."""
    return [found for kind in kinds for found in _nodes()[kind]]
