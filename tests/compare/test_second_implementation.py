"""The shift found by shape beside that of another implementation: open3d's point-to-plane registration."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.compare import shape_fit


def as_points(relief):
    across, upward = relief.places
    return np.stack([across[relief.valid], upward[relief.valid], relief.offset[relief.valid]], axis=1)


@pytest.mark.parametrize("shift", [(0.012, -0.007), (-0.02, 0.015)])
def test_shape_fit_agrees_with_point_to_plane_registration(relief_of, rough, shift):
    import open3d as o3d

    tall = lambda x, y: 4 * rough(x, y)  # noqa: E731
    earlier = relief_of(tall, noise=5e-5, u=5e-5, seed=1)
    later = relief_of(lambda x, y: tall(x + shift[0], y + shift[1]), noise=5e-5, u=5e-5, seed=2)
    clouds = []
    for relief in (later, earlier):
        cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(as_points(relief)))
        cloud.estimate_normals(o3d.geometry.KDTreeSearchParamHybrid(radius=0.08, max_nn=60))
        clouds.append(cloud)
    registration = o3d.pipelines.registration
    found = registration.registration_icp(
        *clouds,
        0.05,
        np.eye(4),
        registration.TransformationEstimationPointToPlane(),
        registration.ICPConvergenceCriteria(1e-12, 1e-12, 100),
    )
    middle = np.array([1.5, 1.2, 0.0])
    icp = (found.transformation[:3, :3] @ middle + found.transformation[:3, 3] - middle)[:2]
    ours = shape_fit(earlier, later)
    # its pairs of nearest points end at the rim of the wall, which moves it by some tenths of a millimetre
    assert_allclose(ours.shift, icp, atol=0.001)
    assert_allclose(ours.shift, shift, atol=4 * ours.u.max())
