"""What one process sealed another one makes again byte for byte, whatever order its sets and tables have."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from flatscan.evidence import Job, seal
from flatscan.jobs import Requirement

ROOT = Path(__file__).parents[2]
SAID = """
import sys
from flatscan.evidence import recheck
found = recheck(sys.argv[1])
print(found.status, sorted({sheet.state for sheet in found.sheets}))
"""


@pytest.fixture(scope="module", autouse=True)
def _sealed_without_drawings():
    """Here everything is drawn."""


def test_another_process_makes_the_same_bytes(tmp_path):
    grid = shutil.copy(ROOT / "sample_clouds" / "laser_grid.csv", tmp_path)
    job = Job(
        "check", (0,), testing=Requirement.by(limit=0.002, directions=(0.0, 90.0)), also=("dxf", "ply", "explain")
    )
    sealed = seal(tmp_path / "e.zip", [grid], [job])
    # another seed than any this process may have gives sets another order (Python's documentation, PYTHONHASHSEED)
    ran = subprocess.run(
        [sys.executable, "-c", SAID, str(sealed.path)],
        env=os.environ | {"PYTHONHASHSEED": "7", "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert ran.stdout.split("\n")[0] == "same ['same']", ran.stdout
