"""A file that would not fit is refused before it is read, with the numbers."""

import pytest
from site_builders import SAMPLES, InlinePool, grid_text, make_site

from flatscan import capture
from flatscan.capture import registry
from flatscan.core.errors import ReadError
from flatscan.site import run
from flatscan.site.job import Settings, in_folder

FACES = b"ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\n"


def test_a_mesh_too_large_for_the_memory(tmp_path, monkeypatch):
    path = tmp_path / "big.stl"
    path.write_bytes(bytes(80) + b"\xff" * 4 + bytes(50))
    monkeypatch.setattr(registry, "free_memory", lambda: int(0.25e9 + 8 * path.stat().st_size - 1))
    with pytest.raises(ReadError, match=r"about 0\.3 GB of memory; needed: at most 0\.3 GB, which is free here"):
        registry.refuse_what_does_not_fit(path)
    monkeypatch.setattr(registry, "free_memory", lambda: int(0.25e9 + 8 * path.stat().st_size + 1))
    registry.refuse_what_does_not_fit(path)


@pytest.mark.parametrize(
    ("name", "head", "share"),
    [
        ("a.ply", FACES + b"element face 9\nproperty list uchar int i\nend_header\n", 5.0),
        ("a.ply", FACES + b"end_header\nelement face 9\n", 0.0),
        ("a.ply", FACES + b"element face 0\nend_header\n", 0.0),
        ("a.pcd", b"VERSION .7\nDATA binary_compressed\n", 3.0),
        ("a.pcd", b"VERSION .7\nDATA binary\n", 0.0),
        ("a.OBJ", b"v 0 0 0\n", 5.0),
        ("a.las", b"LASF", 0.0),
        ("a.xyz", b"0 0 0\n", 0.0),
    ],
)
def test_only_what_is_held_whole_counts(tmp_path, name, head, share):
    path = tmp_path / name
    path.write_bytes(head)
    assert registry._held_share(path, head) == share


def test_streamed_files_are_read_whatever_the_memory(monkeypatch):
    monkeypatch.setattr(registry, "free_memory", lambda: 1)
    assert capture.read(SAMPLES / "wall.ply").count == 150_000


def test_a_limit_on_the_process_counts():
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_DATA)
    try:
        resource.setrlimit(resource.RLIMIT_DATA, (123 << 20, hard))
        assert registry.free_memory() == 123 << 20
    finally:
        resource.setrlimit(resource.RLIMIT_DATA, (soft, hard))


def test_a_full_memory_is_tried_again_and_a_broken_file_is_not(tmp_path):
    make_site(tmp_path / "scans", floors=("0",), rooms=1, walls=1)
    (tmp_path / "scans" / "broken.csv").write_text(grid_text().replace("118", "abc"))
    captures = in_folder(tmp_path / "scans", Settings(formats=("json",)), tmp_path / "out")

    def full(*_):
        raise MemoryError

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(capture, "pick", full)
        made = run(captures, tmp_path / "out", InlinePool).document
    assert len(made["failed"]) == 2
    assert all("not enough memory" in row["error"] for row in made["failed"])
    pool, again = InlinePool(), InlinePool()
    made = run(captures, tmp_path / "out", lambda: pool).document
    assert [row["name"] for row in made["failed"]] == ["broken"]
    assert len(pool.done) == 3
    assert run(captures, tmp_path / "out", lambda: again).document == made
    assert again.done == []
