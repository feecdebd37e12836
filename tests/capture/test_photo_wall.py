"""A folder of drawn photos through reading, seeing and tying, against the wall that was drawn."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_wall_model import WallTold
from numpy.testing import assert_allclose
from photo_room_model import PhotoRoom, PhotoTold

from flatscan import capture, jobs
from flatscan.capture.joined import joined
from flatscan.core.errors import MixedSurveys, ReadError
from flatscan.core.geometry import fit_plane_robust
from flatscan.jobs.photo_scale import checking_sizes, with_taped_scale
from flatscan.jobs.seeing import find_room, see

pytest.importorskip("pycolmap")
WIDE, HIGH = 1.5, 1.1
TARGETS = ((0.2, 0.2), (1.3, 0.2), (1.3, 0.9), (0.2, 0.9))
WALL = WallTold(WIDE, HIGH, humps=((0.9, 0.6, 0.006, 0.12),), warp=(0.6, 0.002), target=0.08, targets=TARGETS, seed=3)


@pytest.fixture(scope="module")
def taken(tmp_path_factory):
    """The room, its folder and what reading it gives."""
    room = PhotoRoom(WALL, PhotoTold(0.6, distance=0.9, overlap=0.75, seed=3))
    folder = room.write(tmp_path_factory.mktemp("site") / "north")
    heard = []
    return room, folder, capture.read(folder, told=heard.append), heard


def test_a_folder_is_read_as_one_capture_of_its_name(taken):
    _, folder, cloud, heard = taken
    assert (cloud.origin.file, cloud.origin.reader, cloud.origin.kind) == ("north", "photos", "photogrammetry")
    assert cloud.origin.sha256 == capture.sha256_of(folder)
    assert cloud.photographed.name == "north bedroom"
    assert 0 < cloud.photographed.scale < 0.01
    assert len(cloud.stands) >= 6
    assert heard == sorted(heard)
    assert heard[-1] == pytest.approx(1.0)


def test_the_wall_is_as_large_as_drawn_and_its_relief_lies_on_the_drawn_one(taken):
    room, _, cloud, _ = taken
    seen = see(cloud, jobs.Capturing())
    assert_allclose([seen.wall.width, seen.wall.height], [WIDE, HIGH], atol=0.03)
    assert seen.title == "north bedroom"
    assert not seen.relief.common.stationary
    points = np.concatenate(list(cloud.chunks()))
    # the axes are the targets': where the cameras truly stood tells where these lie on the wall
    shift = (np.stack([pose.centre for pose in room.poses]) - cloud.stands).mean(axis=0)
    x, y = (points[:, :2] + shift[:2]).T
    inside = (x > 0.1) & (x < WIDE - 0.1) & (y > 0.2) & (y < HIGH - 0.1)
    some = np.flatnonzero(inside)[::9]
    inside = some[:20_000]
    error = points[inside, 2] - room.wall.at(x[inside, None], y[inside, None])[:, 0]
    plane, _ = fit_plane_robust(x[inside], y[inside], error)
    rest = error - (plane[0] + plane[1] * x[inside] + plane[2] * y[inside])
    assert 1.4826 * np.median(np.abs(rest)) < 1e-3
    assert abs(np.median(rest)) < 2e-4


def test_printed_targets_are_not_measured(taken):
    room, _, cloud, _ = taken
    assert [one.quantities["count"] for one in cloud.origin.warnings if one.code == "placed.papers"] == [len(TARGETS)]
    assert "placed.edges" in {one.code for one in cloud.origin.warnings}
    shift = (np.stack([pose.centre for pose in room.poses]) - cloud.stands).mean(axis=0)
    at = np.concatenate(list(cloud.chunks()))[:, :2] + shift[:2]
    for place in TARGETS:
        off = np.abs(at - place).max(axis=1)
        assert off.min() > 0.75 * WALL.target + 0.015
        assert (off < 0.75 * WALL.target + 0.03).any()


def unscaled(cloud, factor):
    """The same as photos without any length give it."""
    seen = replace(cloud.photographed.made_longer(factor), scale=None, width=None, height=None)
    return replace(
        cloud,
        sample=cloud.sample * factor,
        chunks=lambda: (points * factor for points in cloud.chunks()),
        stands=cloud.stands * factor,
        photographed=seen,
    )


@pytest.mark.parametrize(("side", "size"), [("width", WIDE), ("height", HIGH)])
def test_a_taped_side_tells_all_lengths_and_no_longer_checks_them(taken, side, size):
    *_, cloud, _ = taken
    how = jobs.Capturing(**{side: size})
    found = with_taped_scale(unscaled(cloud, 1.25), how, find_room)
    wall = see(found, how).wall
    # within twice the u that two edges and a tape are said to have
    assert_allclose(getattr(wall, side), size, atol=2 * 0.006)
    before, after = (np.ptp(one.stands[:, 0]) for one in (cloud, found))
    assert_allclose(after, before, rtol=0.03)
    assert found.photographed.scale == pytest.approx(0.006 / size, rel=0.1)
    assert "photo.scale-by-outline" in {one.code for one in found.origin.warnings}
    assert checking_sizes(found, how) == (None, None)
    other = {"width": "height", "height": "width"}[side]
    assert 1.0 in checking_sizes(found, replace(how, **{other: 1.0}))


def test_without_any_length_it_is_said_what_to_tape(taken):
    *_, cloud, _ = taken
    with pytest.raises(ReadError, match=r"no length.*taped length"):
        with_taped_scale(unscaled(cloud, 2.0), jobs.Capturing(), find_room)


def test_two_folders_of_photos_share_no_coordinates(taken):
    *_, cloud, _ = taken
    other = replace(cloud, origin=replace(cloud.origin, sha256="0" * 64))
    with pytest.raises(MixedSurveys, match="into one folder"):
        joined([cloud, other])


def test_photos_with_a_scale_stay_as_they_are(taken):
    *_, cloud, _ = taken
    assert with_taped_scale(cloud, jobs.Capturing(width=9.0), find_room) is cloud
