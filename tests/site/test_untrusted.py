"""Captures and result folders come from others: nothing in them is ever run."""

import ast
import json

import numpy as np
import pytest
from numpy.testing import assert_array_equal
from site_builders import SAMPLES, InlinePool, make_site, quick, tree
from sources import nodes

from flatscan import capture
from flatscan.core.model import Origin
from flatscan.core.notes import note
from flatscan.core.quantity import metres
from flatscan.core.records import NotARecord, from_plain, to_plain
from flatscan.jobs import Capturing, find_room
from flatscan.site import run
from flatscan.site.job import Settings, in_folder
from flatscan.wall import Room

# modules that turn bytes into running code or objects of any kind
NEVER = {"pickle", "cPickle", "marshal", "shelve", "dill", "cloudpickle", "joblib", "yaml", "code", "codeop"}
# XML parsers of the standard library expand entities without end; zips are read where names and sizes have limits
# photo_features names the error of numpy's own archives, in which features are kept
_ZIPS = {"evidence/archive.py", "desk/arriving.py", "capture/photos/photo_features.py"}
GUARDED = {"xml": set(), "zipfile": _ZIPS, "tarfile": set(), "subprocess": set()}


def calls_and_imports():
    """Module, kind and word of every import, every call and every keyword of a call."""
    for path, node in nodes(ast.Import):
        yield from ((path.as_posix(), "import", alias.name.split(".")[0]) for alias in node.names)
    for path, node in nodes(ast.ImportFrom):
        yield path.as_posix(), "import", (node.module or "").split(".")[0]
    for path, node in nodes(ast.Call):
        yield path.as_posix(), "call", ast.unparse(node.func)
        words = [word for word in node.keywords if word.arg]
        yield from ((path.as_posix(), "word", f"{word.arg}={ast.unparse(word.value)}") for word in words)


def forbidden(name, kind, word):
    if kind == "import":
        return word in NEVER or (word in GUARDED and name not in GUARDED[word])
    if kind == "call":
        return word in ("eval", "exec", "compile", "__import__", "os.system", "os.popen")
    return word in ("shell=True", "allow_pickle=True", "autoescape=False")


def test_no_code_out_of_data():
    seen = list(calls_and_imports())
    assert len(seen) > 1000
    assert [found for found in seen if forbidden(*found)] == []


def test_the_walls_of_a_room_survive_as_plain_json():
    """Every number to its last bit, and nothing but our own types comes back."""
    room = find_room(capture.read(SAMPLES / "room.ply"), Capturing())
    back = from_plain(Room, json.loads(json.dumps(to_plain(room))))
    assert type(back) is type(room)
    assert to_plain(back) == to_plain(room)
    for one, two in zip(room.walls, back.walls, strict=True):
        assert_array_equal(one.outline, two.outline)
        assert_array_equal(one.frame.to_file(np.ones((1, 3))), two.frame.to_file(np.ones((1, 3))))
        assert (one.openings, one.plumb, one.number) == (two.openings, two.plumb, two.number)


def test_what_a_capture_says_survives_as_plain_json():
    what = note("capture.coarse-steps", (1.0, 2.5), steps=(note("capture.axis-step", axis="x", step=metres(0.01)),))
    origin = Origin("a.las", "0f", "LAS 1.4", "m", 2000, (what, note("capture.splat-model")))
    assert from_plain(Origin, json.loads(json.dumps(to_plain(origin)))) == origin


@pytest.mark.parametrize(
    "value",
    [{"is": "os.system"}, {"is": "Room"}, {"no": 1}, {"walls": [], "os": 2}, {"walls": [{"number": 1}]}, [], "x"],
)
def test_foreign_types_are_refused(value):
    with pytest.raises(NotARecord):
        from_plain(Room, value)


def test_only_records_become_plain():
    with pytest.raises(TypeError, match="a object is no plain data"):
        to_plain(Room((), notes=(object(),)))


@pytest.mark.parametrize("text", ["[]", "{}", "null", "[" * 100_000, '{"key": 1}', '{"is": "os.system"}'])
def test_records_of_another_hand_are_made_anew(tmp_path, text):
    make_site(tmp_path / "scans", floors=("0",), rooms=1, walls=2)
    captures = in_folder(tmp_path / "scans", Settings(), tmp_path / "out")
    run(captures, tmp_path / "out", lambda: InlinePool(quick))
    whole = tree(tmp_path / "out")
    for path in (tmp_path / "out").rglob("record.json"):
        path.write_text(text)
    run(captures, tmp_path / "out", lambda: InlinePool(quick))
    assert tree(tmp_path / "out") == whole


def test_a_record_with_the_right_key_and_a_foreign_room(tmp_path):
    make_site(tmp_path / "scans", floors=("0",), rooms=1, walls=1)
    captures = in_folder(tmp_path / "scans", Settings(), tmp_path / "out")
    run(captures, tmp_path / "out", lambda: InlinePool(quick))
    whole = tree(tmp_path / "out")
    (path,) = (tmp_path / "out/.flatscan-site").rglob("record.json")
    path.write_text(json.dumps(json.loads(path.read_text()) | {"room": {"is": "os.system"}}))
    pool = InlinePool(quick)
    run(captures, tmp_path / "out", lambda: pool)
    assert ("look", "0-room-1-wall-1") in pool.done
    assert tree(tmp_path / "out") == whole
