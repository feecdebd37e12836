"""A folder of depth frames with their poses, fused into one surface."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.calibration.camera_file import camera_beside, fit_size
from flatscan.capture.camera import Camera
from flatscan.capture.checks import checked_cloud
from flatscan.capture.depth_photo import DepthImage, OneBlock, confidence_beside, left_out, read_depth, scale_of
from flatscan.capture.registry import FolderAsked, FolderFormat
from flatscan.capture.source import PointSource
from flatscan.core.beside import plain_in
from flatscan.core.errors import ReadError, UnitsUnknown
from flatscan.core.geometry import Array, Mask
from flatscan.core.model import Cloud
from flatscan.core.notes import note
from flatscan.core.quantity import metres
from flatscan.core.units import METRES_PER

READER = "depth frames"
_POSES = ("trajectory.log", "poses.log", "traj.log", "poses.json")
VOXEL, TRUNCATION = 0.010, 0.040
# a frame tells something new only from another place or angle (methods/uncertainty 3: distinct frames; engineering
# estimate)
_NEW_PLACE, _NEW_ANGLE = 0.10, np.radians(5.0)
_FARTHEST = 8.0


@dataclass(frozen=True, eq=False)
class _Frames:
    """Files of a folder that belong together: depth images, poses (n, 4, 4) camera to common axes, camera."""

    images: tuple[Path, ...]
    poses: Array
    camera: Camera
    camera_file: Path
    pose_file: Path


def is_frames(folder: Path) -> bool:
    """Whether a folder holds poses, and so frames."""
    return any((folder / name).is_file() for name in _POSES)


def open_frames(folder: Path, file_unit: str | None = None) -> PointSource:
    """Points on the surface that all frames of a folder show together, in metres and the poses' axes.

    Depth images stand in ``depth/`` or in the folder, poses in ``trajectory.log`` (Open3D's) or ``poses.json`` (a list
    of 4 x 4 camera-to-world matrices), intrinsics in ``intrinsic.json``. Fused by Open3D's truncated signed distance
    volume in voxels of 10 mm (Curless and Levoy 1996). Raises `ReadError`, and `UnitsUnknown` without a depth scale.
    """
    frames = _gather(folder)
    factor, unit = scale_of(frames.camera, frames.camera_file)
    if unit is None and file_unit is None:
        raise UnitsUnknown(
            folder,
            "the depth of the frames has no unit: 1500 could be 1.5 m (mm) or 15 m (cm)",
            needed='"depth_scale" (units per metre) in {file}',
            remedy="Add it, or give {set:file_unit} mm",
            file=frames.camera_file.name,
        )
    factor = factor if unit is not None else METRES_PER[str(file_unit)]
    images = [_read(frames, path) for path in frames.images]
    _check_depth(folder, images, factor)
    points = _fused(frames, images, factor)
    new = _distinct(frames.poses)
    area = sum(image.area(camera) for keep, (image, camera) in zip(new, images, strict=True) if keep) * factor**2
    return PointSource(
        READER,
        len(points),
        OneBlock(points),
        unit="m",
        unit_from=note("picture.unit-by-frames"),
        stands=frames.poses[:, :3, 3],
        mesh_area=area,
        warnings=(
            *left_out(folder.name, [image for image, _ in images]),
            note("picture.frames-fused", frames=len(images), new=int(new.sum())),
        ),
        kind="phone-walk",
    )


def folder_digest(folder: Path) -> str:
    """SHA-256 of the names and contents of all files that `open_frames` reads."""
    whole = hashlib.sha256()
    for path in files_of_frames(folder):
        whole.update(path.relative_to(folder).as_posix().encode() + b"\0")
        whole.update(hashlib.sha256(path.read_bytes()).digest())
    return whole.hexdigest()


def files_of_frames(folder: Path) -> tuple[Path, ...]:
    """All files that `open_frames` reads."""
    frames = _gather(folder)
    beside = [one for image in frames.images if (one := confidence_beside(image)) is not None]
    return (*frames.images, *beside, frames.camera_file, frames.pose_file)


def _gather(folder: Path) -> _Frames:
    camera, camera_file = camera_beside(folder)
    inner = folder / "depth" if (folder / "depth").is_dir() else folder
    images = sorted(
        plain_in(folder, path)
        for path in inner.iterdir()
        if path.suffix.lower() in (".png", ".tif", ".tiff") and not path.stem.endswith("_confidence")
    )
    if not images:
        raise ReadError(
            folder,
            "no depth images in it",
            needed="16-bit PNG or TIFF files, in the folder or in depth/",
            remedy="Export the frames again",
        )
    pose_file = next((folder / name for name in _POSES if (folder / name).is_file()), None)
    if pose_file is None:
        raise ReadError(
            folder,
            "{images} depth images but no poses",
            needed=f"{_POSES[0]} or {_POSES[-1]}",
            remedy="Export the poses too, or give one frame by itself",
            images=len(images),
        )
    poses = read_poses(plain_in(folder, pose_file))
    if len(poses) != len(images):
        raise ReadError(
            pose_file,
            "{poses} poses for {images} depth images",
            needed="one pose for each frame, in order",
            remedy="Export frames and poses from the same capture",
            poses=len(poses),
            images=len(images),
        )
    return _Frames(tuple(images), poses, camera, camera_file, pose_file)


def read_poses(path: Path) -> Array:
    """Camera-to-world matrices (n, 4, 4) of a trajectory; raises `ReadError` for what is no rigid motion."""
    text = path.read_text(encoding="utf-8-sig", errors="replace")
    try:
        if path.suffix.lower() == ".json":
            poses = np.array(json.loads(text), float).reshape(-1, 4, 4)
        else:
            lines = [line.split() for line in text.splitlines() if line.strip()]
            if not lines or len(lines) % 5 or any(len(line) != 3 for line in lines[::5]):
                raise ValueError("blocks of a line of three numbers and four of four expected")
            poses = np.array([line for i, line in enumerate(lines) if i % 5], float).reshape(-1, 4, 4)
    except (ValueError, TypeError, RecursionError) as reason:
        raise ReadError(
            path,
            "poses cannot be read ({reason})",
            needed="4 x 4 matrices, camera to world",
            remedy="Export the poses again",
            reason=str(reason),
        ) from None
    turn = poses[:, :3, :3]
    square = np.abs(turn @ np.swapaxes(turn, 1, 2) - np.eye(3)).max(axis=(1, 2), initial=0)
    rigid = np.isfinite(poses).all(axis=(1, 2)) & (square < 1e-3) & (np.linalg.det(turn) > 0.5)
    rigid &= np.abs(poses[:, 3] - [0, 0, 0, 1]).max(axis=1, initial=0) <= 1e-6
    if not rigid.all():
        raise ReadError(
            path,
            "pose {number} of {poses} is no rotation with a shift",
            needed="4 x 4 matrices, camera to world, last row 0 0 0 1",
            remedy="Export the poses again",
            number=int(rigid.argmin()) + 1,
            poses=len(poses),
        )
    return poses


def _read(frames: _Frames, path: Path) -> tuple[DepthImage, Camera]:
    image = read_depth(path, confidence_beside(path), frames.camera.extra("least_confidence"))
    return image, fit_size(frames.camera, frames.camera_file, image.depth.shape[1], image.depth.shape[0], path)


def _check_depth(folder: Path, images: list[tuple[DepthImage, Camera]], factor: float) -> None:
    """A wall is photographed from 0.1 to 20 m: another distance is another unit."""
    seen = [float(np.median(image.depth[image.kept])) * factor for image, _ in images if image.kept.any()]
    if not seen:
        raise ReadError(
            folder,
            "no frame has a pixel with depth that counts",
            needed="depth images of a wall",
            remedy="Capture again, nearer and slower",
        )
    middle = float(np.median(seen))
    if not 0.1 <= middle <= 20:
        raise UnitsUnknown(
            folder,
            "the frames look {far:span} far",
            needed="{least:span} to {most:span}: the depth scale is in doubt",
            remedy="Correct depth_scale (units per metre) in the intrinsics",
            far=metres(middle),
            least=metres(0.1),
            most=metres(20.0),
        )


def _distinct(poses: Array) -> Mask:
    """Which frames were taken from a new place or angle."""
    kept: list[int] = []
    new = np.zeros(len(poses), bool)
    for i, pose in enumerate(poses):
        apart = np.linalg.norm(poses[kept, :3, 3] - pose[:3, 3], axis=1)
        trace = np.einsum("nij,ij->n", poses[kept][:, :3, :3], pose[:3, :3])
        turned = np.arccos(np.clip((trace - 1) / 2, -1, 1))
        new[i] = not ((apart < _NEW_PLACE) & (turned < _NEW_ANGLE)).any()
        if new[i]:
            kept.append(i)
    return new


def _fused(frames: _Frames, images: list[tuple[DepthImage, Camera]], factor: float) -> Array:
    """Points (n, 3) of the fused surface in a fixed order."""
    from open3d import core
    from open3d.t.geometry import Image, VoxelBlockGrid

    # the volume holds 32-bit floats: near the cameras these are exact to a thousandth of a millimetre
    shift = np.round(frames.poses[:, :3, 3].mean(axis=0))
    volume = VoxelBlockGrid(("tsdf", "weight"), (core.float32, core.float32), ((1), (1)), VOXEL, 16, 10_000)
    tensor: Any = core.Tensor
    for (image, camera), pose in zip(images, frames.poses, strict=True):
        near = pose.copy()
        near[:3, 3] -= shift
        values, inverse = _straightened(image, factor, camera), np.linalg.inv(near)
        depth, pinhole, to_camera = (tensor(part) for part in (values, camera.matrix, inverse))
        reach = 1.0, _FARTHEST, TRUNCATION / VOXEL
        blocks = volume.compute_unique_block_coordinates(Image(depth), pinhole, to_camera, *reach)
        volume.integrate(blocks, Image(depth), pinhole, to_camera, *reach)
    found = volume.extract_point_cloud(weight_threshold=0.5)
    points = found.point.positions.numpy().astype(np.float64).reshape(-1, 3) + shift
    # the volume's own order follows a hash table: sorted, the same frames give the same bytes
    return np.asarray(points[np.lexsort(points.T)])


def _straightened(image: DepthImage, factor: float, camera: Camera) -> NDArray[np.float32]:
    """The depth as a camera without distortion would see it, nearest pixel taken so that no two surfaces mix."""
    depth = np.where(image.kept, image.depth * factor, 0.0).astype(np.float32)
    if any(camera.distortion):
        import cv2

        maps = cv2.initUndistortRectifyMap(
            camera.matrix,
            np.array(camera.distortion),
            np.eye(3),
            camera.matrix,
            (camera.width, camera.height),
            cv2.CV_32FC1,
        )
        depth = np.asarray(cv2.remap(depth, *maps, cv2.INTER_NEAREST, borderValue=0), np.float32)
    return np.ascontiguousarray(depth)


def read_frames(
    folder: Path,
    *,
    file_unit: str | None = None,
    max_points: int | None = None,
    crop: tuple[float, ...] | None = None,
) -> Cloud:
    """The folder as a checked cloud; raises what `open_frames` and `checked_cloud` raise."""
    source = open_frames(folder, file_unit)
    # fused points are in metres, whatever the unit of the frames was
    cloud = checked_cloud(folder, source, lambda: folder_digest(folder), max_points=max_points, crop=crop)
    return replace(cloud, origin=replace(cloud.origin, file=folder.name))


def _open(folder: Path, asked: FolderAsked) -> Cloud:
    return read_frames(folder, file_unit=asked.file_unit, max_points=asked.max_points, crop=asked.crop)


FRAMES = FolderFormat(READER, is_frames, is_frames, files_of_frames, folder_digest, _open)
