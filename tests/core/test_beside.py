"""What a capture names is opened only where it lies beside it, whole and plain."""

import os

import pytest

from flatscan.core.beside import beside
from flatscan.core.errors import ReadError


@pytest.fixture
def folder(tmp_path):
    inside = tmp_path / "captures"
    (inside / "below").mkdir(parents=True)
    (inside / "on.jpg").write_bytes(b"1")
    (inside / "below" / "off.jpg").write_bytes(b"2")
    (tmp_path / "secret.txt").write_text("nobody's business")
    (inside / "link-in.jpg").symlink_to("on.jpg")
    (inside / "link-out.jpg").symlink_to(tmp_path / "secret.txt")
    (inside / "out").symlink_to(tmp_path)
    os.mkfifo(inside / "pipe.jpg")
    return inside


@pytest.mark.parametrize("name", ["on.jpg", "below/off.jpg", "./on.jpg", "link-in.jpg"])
def test_a_file_of_its_own_folder_is_taken(folder, name):
    assert beside(folder / "setup.toml", name).read_bytes() in (b"1", b"2")


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("../secret.txt", "lies elsewhere"),
        ("below/../../secret.txt", "lies elsewhere"),
        ("/etc/hostname", "lies elsewhere"),
        ("file:///etc/hostname", "lies elsewhere"),
        ("..\\secret.txt", "lies elsewhere"),
        ("", "lies elsewhere"),
        ("on\0.jpg", "lies elsewhere"),
        ("a" * 5000, "not beside it"),
        ("nowhere.jpg", "not beside it"),
        ("link-out.jpg", "no plain file"),
        ("out/secret.txt", "no plain file"),
        ("pipe.jpg", "no plain file"),
        ("below", "no plain file"),
    ],
)
def test_any_other_is_refused_by_name_and_never_opened(folder, name, why):
    with pytest.raises(ReadError, match=why) as refused:
        beside(folder / "setup.toml", name)
    assert "nobody's business" not in str(refused.value)
    assert len(str(refused.value)) < 600
