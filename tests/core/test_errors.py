"""Errors say four things, and say them in whatever process they arrive."""

import pickle
from pathlib import Path

import pytest

from flatscan.core import errors
from flatscan.core.errors import BadTable, BadValue, ReadError
from flatscan.core.phrase import command_line
from flatscan.core.quantity import metres

KINDS = [kind for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, errors.FlatscanError)]


@pytest.mark.parametrize("kind", KINDS)
def test_an_error_crosses_processes_whole(kind):
    # a pool of processes hands exceptions over by pickling them
    made = kind("wall.ply", "5 points", needed="100", remedy="Scan it again")
    again = pickle.loads(pickle.dumps(made))
    assert type(again) is kind
    assert str(again) == str(made) == "wall.ply: 5 points; needed: 100. Scan it again."
    assert again.remedy == "Scan it again"


def test_trouble_at_a_smaller_place_keeps_its_quantities_and_settings():
    own = BadValue("{set:rule}", "{value:length}", needed="a length over 0", remedy="Correct it", value=metres(-1.0))
    whole = own.inside(BadTable, "{list}, line {line}", list="a{value}.csv", line=3)
    assert type(whole) is BadTable
    assert str(whole) == "a{value}.csv, line 3: rule: -1000 mm; needed: a length over 0. Correct it."
    assert whole.text(command_line("in")).startswith("a{value}.csv, line 3: --rule: -3 ft 3 3/8 in;")


def test_a_file_called_by_its_name_alone_wherever_it_stands():
    values = {"why": "/a/b.ply ends", "long": metres(1)}
    error = ReadError(Path("/a/b.ply"), "{why}", needed="{long:length}", remedy="Copy it", **values)
    named = error.calling("/a/b.ply", "b.ply")
    assert type(named) is ReadError
    assert named.text() == "b.ply: b.ply ends; needed: 1000 mm. Copy it."
    assert "/a/b.ply" in error.text()
