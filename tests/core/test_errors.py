"""Errors say four things, and say them in whatever process they arrive."""

import pickle

import pytest

from flatscan.core import errors

KINDS = [kind for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, errors.FlatscanError)]


@pytest.mark.parametrize("kind", KINDS)
def test_an_error_crosses_processes_whole(kind):
    # a pool of processes hands exceptions over by pickling them
    made = kind("wall.ply", "5 points", needed="100", remedy="Scan it again")
    again = pickle.loads(pickle.dumps(made))
    assert type(again) is kind
    assert str(again) == str(made) == "wall.ply: 5 points; needed: 100. Scan it again."
    assert again.remedy == "Scan it again"
