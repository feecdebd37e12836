"""Several captures in shared coordinates as one cloud."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan import capture
from flatscan.capture.joined import joined
from flatscan.core.errors import BadValue, MixedSurveys
from flatscan.core.model import Cloud, Origin


def cloud_of(points, *, shift=(0.0, 0.0, 0.0), every=1, name="a", unit="m", **known):
    points = np.asarray(points, float)
    shift = np.asarray(shift, float)
    return Cloud(
        Origin(f"{name}.ply", name * 8, "ply", unit, len(points)),
        sample=points[::every] - shift,
        chunks=lambda: iter(np.array_split(points - shift, 2)),
        count=len(points),
        shift=shift,
        u_step=np.full(3, known.pop("u_step", 0.0)),
        **known,
    )


def test_points_stand_where_their_files_have_them():
    rng = np.random.default_rng(1)
    one, two = rng.uniform(0, 4, (1000, 3)), rng.uniform(2, 6, (500, 3))
    whole = joined([cloud_of(one, shift=(100, 0, 0)), cloud_of(two, shift=(-50, 7, 0), name="b")])
    points = np.concatenate(list(whole.chunks())) + whole.shift
    assert_allclose(points, np.concatenate([one, two]), atol=1e-12)
    # a second pass gives the same
    assert_allclose(np.concatenate(list(whole.chunks())) + whole.shift, points)
    assert (whole.count, [member.count for member in whole.members]) == (1500, [1000, 500])
    assert [(one.file, one.points) for one in whole.origin.files] == [("a.ply", 1000), ("b.ply", 500)]


def test_the_sample_holds_the_same_share_of_each_mixed():
    one, two = np.zeros((8000, 3)), np.ones((2000, 3))
    whole = joined([cloud_of(one, every=4), cloud_of(two, name="b")])
    # a quarter of each, as of the thinner sample, and each tenth of it alike
    assert_allclose(whole.sample.mean(), 0.2, atol=1e-3)
    assert_allclose([part[:, 0].mean() for part in np.array_split(whole.sample, 10)], 0.2, atol=0.02)


def test_what_is_known_of_all_is_the_least_of_each():
    stands = np.array([[1.0, 2.0, 3.0]])
    one = cloud_of(np.zeros((10, 3)), stands=stands, u_step=1e-4, u_up=1e-4)
    two = cloud_of(np.ones((10, 3)), shift=(5, 0, 0), name="b", stands=stands, independent_share=0.5)
    whole = joined([one, two])
    assert_allclose(whole.stands + whole.shift, [[1, 2, 3], [6, 2, 3]])
    assert_allclose([whole.u_step[0], whole.independent_share, whole.u_up], [1e-4, 0.5, two.u_up])


@pytest.mark.parametrize(
    ("others", "kind", "words"),
    [
        ([], BadValue, "given with one capture"),
        ([cloud_of(np.ones((9, 3)), name="b", unit="mm")], MixedSurveys, "coordinates in mm, while a.ply has m"),
        (
            [cloud_of(np.ones((9, 3)), name="b", up=np.array([0.0, 1, 0]))],
            MixedSurveys,
            "up is 90.0 degrees from that of",
        ),
        ([cloud_of(np.ones((9, 3)))], BadValue, "the same points as a.ply"),
    ],
)
def test_what_cannot_be_one_is_refused(others, kind, words):
    with pytest.raises(kind, match=words):
        joined([cloud_of(np.zeros((9, 3)), up=np.array([0.0, 0, 1])), *others])


def test_readings_are_no_part_of_a_scan(tmp_path):
    table = tmp_path / "grid.csv"
    table.write_text(
        "units, mm\nsense, big = hollow\n\n, 0.1, 1.1, 2.1\n2.6, 80, 74, 77\n1.3, 80, 79, 81\n0.1, 80, 79, 81\n"
    )
    with pytest.raises(MixedSurveys, match="a table of readings"):
        joined([cloud_of(np.zeros((9, 3))), capture.read(table)])
