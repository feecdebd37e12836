import sys
from dataclasses import replace
from pathlib import Path

import pytest

# test modules are imported by their path, so what they share has to be found by name
sys.path.insert(0, str(Path(__file__).parent))

from site_builders import grid_text, make_site

from flatscan.site.job import Capture, Task, keyed, with_slugs
from flatscan.site.work import do


@pytest.fixture(scope="session")
def one_wall(tmp_path_factory):
    """Record and sheets of one real wall of laser readings."""
    path = tmp_path_factory.mktemp("one") / "wall.csv"
    path.write_text(grid_text())
    task = keyed(Task("wall", with_slugs([Capture(path, "wall")])[0], ""))
    outcome = do(replace(task, scratch=str(path.parent)))
    assert outcome.record["status"] == "done", outcome.record
    return outcome.record, {name: data for name, data in outcome.sheets.items() if name == "site-result.json"}


@pytest.fixture
def site(tmp_path):
    folder = tmp_path / "scans"
    folder.mkdir()
    make_site(folder)
    return folder
