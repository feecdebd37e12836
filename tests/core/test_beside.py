"""What a capture names is opened only where it lies beside it, whole and plain."""

import os

import pytest

from flatscan.core.beside import beside, near, plain_in
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


@pytest.mark.parametrize("name", ["link-out.jpg", "pipe.jpg", "below", "out/secret.txt", "gone.jpg"])
def test_what_is_found_by_its_usual_name_is_plain_and_there(folder, name):
    assert plain_in(folder, folder / "on.jpg").read_bytes() == b"1"
    with pytest.raises(ReadError, match="no plain file of its folder") as refused:
        plain_in(folder, folder / name)
    assert "nobody's business" not in str(refused.value)


@pytest.fixture
def plan(folder):
    job = folder / "wall-flatscan"
    job.mkdir()
    (job / "rates.toml").write_text("1")
    (job / "out").symlink_to(folder.parent)
    (job / "link.toml").symlink_to("/proc/self/environ")
    return job / "plan.toml"


@pytest.mark.parametrize("name", ["rates.toml", "../on.jpg", "../below", "nowhere.csv", "../nowhere.csv"])
def test_a_plan_names_what_lies_in_its_job_or_beside_it(plan, name):
    assert near(plan, name) == plan.parent / name


@pytest.mark.parametrize(
    "name",
    [
        "../../secret.txt",
        "/etc/passwd",
        "/dev/zero",
        "/proc/self/environ",
        "file:///etc/passwd",
        "http://127.0.0.1/rates.toml",
        "out/secret.txt",
        "link.toml",
        "../pipe.jpg",
        "../link-out.jpg",
        "rates.toml\0",
        "a" * 5000,
        "../" * 200 + "etc/passwd",
    ],
)
def test_a_plan_names_nothing_else(plan, name):
    with pytest.raises(ReadError, match="lies elsewhere or is no plain file") as refused:
        near(plan, name)
    assert "nobody's business" not in str(refused.value)
    assert len(str(refused.value)) < 600
