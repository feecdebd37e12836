"""Folders of plain photos as captures: which are one, what belongs to them, and their hash; no photo is looked at."""

import sys

import cv2
import numpy as np
import pytest

from flatscan import capture
from flatscan.capture.photos.photo_format import files_of_photos, holds_photos, only_photos
from flatscan.core.errors import ReadError


def photo(path, shade=100):
    path.parent.mkdir(parents=True, exist_ok=True)
    assert cv2.imwrite(str(path), np.full((6, 8, 3), shade, np.uint8))
    return path


@pytest.fixture
def folder(tmp_path):
    for number in range(3):
        photo(tmp_path / "north" / f"IMG_{number}.jpg", 40 * number)
    return tmp_path / "north"


def test_a_folder_of_photos_is_a_capture_of_all_of_them(folder):
    assert holds_photos(folder)
    assert only_photos(folder)
    assert capture.is_folder(folder)
    assert [path.name for path in capture.files_of(folder)] == ["IMG_0.jpg", "IMG_1.jpg", "IMG_2.jpg"]


def test_the_walls_file_and_the_lens_it_names_belong_to_it(folder):
    (folder / "wall.toml").write_text('[wall]\nname = "north"\n[camera]\nfile = "lens.json"\n')
    (folder / "lens.json").write_text("{}")
    (folder / "notes.txt").write_text("key under the mat")
    assert only_photos(folder)
    names = [path.name for path in files_of_photos(folder)]
    assert names == ["IMG_0.jpg", "IMG_1.jpg", "IMG_2.jpg", "wall.toml", "lens.json"]
    assert only_photos(folder)


def test_a_lens_file_elsewhere_is_refused(folder):
    (folder / "wall.toml").write_text('[camera]\nfile = "../lens.json"\n')
    with pytest.raises(ReadError, match="lies elsewhere"):
        capture.files_of(folder)


def test_a_link_that_leads_out_of_the_folder_is_refused(folder, tmp_path):
    (folder / "IMG_9.jpg").symlink_to(photo(tmp_path / "other.jpg"))
    with pytest.raises(ReadError, match="no plain file of its folder"):
        capture.files_of(folder)


def test_the_hash_is_that_of_names_and_contents(folder, tmp_path):
    first = capture.sha256_of(folder)
    (folder / "notes.txt").write_text("no part of it")
    (folder / ".hidden.jpg").write_bytes(b"nor this")
    assert capture.sha256_of(folder) == first
    (folder / "IMG_2.jpg").rename(folder / "IMG_7.jpg")
    renamed = capture.sha256_of(folder)
    photo(folder / "IMG_7.jpg", 3)
    assert len({first, renamed, capture.sha256_of(folder)}) == 3
    moved = folder.rename(tmp_path / "south")
    photo(moved / "IMG_7.jpg", 80)
    assert capture.sha256_of(moved) == renamed


@pytest.mark.parametrize(
    ("name", "text"),
    [("trajectory.log", "0 0 0"), ("setup.toml", '[wall]\nname = "hall"\n[laser]\npivot = []\n[[line]]\n')],
    ids=["poses", "a laser's set-up"],
)
def test_photos_that_belong_to_something_else_are_no_capture(folder, name, text):
    (folder / name).write_text(text)
    assert not holds_photos(folder)
    assert not only_photos(folder)


def test_depth_images_are_no_photos(tmp_path):
    for number in range(3):
        assert cv2.imwrite(str(tmp_path / f"{number}.png"), np.zeros((4, 4), np.uint16))
    assert not holds_photos(tmp_path)
    photo(tmp_path / "a.png")
    assert [path.name for path in files_of_photos(tmp_path)] == ["a.png"]


@pytest.mark.parametrize("beside", ["wall.ply", "readings.csv", "points.txt"])
def test_among_other_captures_only_the_walls_file_makes_photos_one(folder, beside):
    (folder / beside).write_text("0.1 0.2 0.3")
    assert holds_photos(folder)
    assert not only_photos(folder)
    (folder / "wall.toml").write_text('[wall]\nname = "north"\n')
    assert only_photos(folder)


def test_without_the_library_it_is_said_what_to_install(folder, monkeypatch):
    (folder / "wall.toml").write_text('[wall]\nname = "north"\nwidth = "3 m"\n')
    monkeypatch.setitem(sys.modules, "pycolmap", None)
    with pytest.raises(ReadError, match=r"pip install 'flatscan\[photos\]'"):
        capture.read(folder)


def test_sheets_made_in_the_folder_of_the_photos_do_not_hide_it(folder):
    (folder / "north-flatscan").mkdir()
    assert only_photos(folder)
    (folder / "upstairs").mkdir()
    assert not only_photos(folder)


def test_one_photo_is_no_folder_of_photos(tmp_path):
    photo(tmp_path / "a.jpg")
    assert not only_photos(tmp_path)
    (tmp_path / "b").mkdir()
    with pytest.raises(ReadError, match="this is a folder"):
        capture.files_of(tmp_path / "b")
