"""Cameras in files: our own JSON, and what the general libraries write as YAML, XML or JSON."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from flatscan.capture.camera import Camera
from flatscan.core.beside import plain_in
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array
from flatscan.core.quantity import share
from flatscan.core.records import load_json

# OpenCV's order k1 k2 p1 p2 k3 ...; the numbers of coefficients it knows
_COEFFICIENTS = (0, 4, 5, 8, 12, 14)
_STEMS = ("intrinsic", "intrinsics", "camera_intrinsic", "camera", "calibration")
_ENDINGS = (".json", ".yml", ".yaml", ".xml")
_EXAMPLE = '{"width": w, "height": h, "intrinsic_matrix": [fx, 0, 0, 0, fy, 0, cx, cy, 1]}'
# a camera is a few hundred bytes; calibrations that keep all their corners have a few hundred thousand
_MOST_BYTES = 20_000_000
# names that general libraries and their samples give, without signs and in small letters
_MATRIX = ("cameramatrix", "intrinsicmatrix", "intrinsicparams", "intrinsics", "mtx", "k", "m")
_DISTORTION = ("distortioncoefficients", "distortioncoeffs", "distcoeffs", "distortion", "dist", "d")
_WIDTH, _HEIGHT = ("imagewidth", "width"), ("imageheight", "height")
_SIZE = ("imagesize", "resolution")
_MODELS = ("plumb_bob", "rational_polynomial", "radtan", "brown", "brown_conrady", "opencv", "")
_DEPTH = ("ir", "depth", "infra", "infrared")
# by how much a ray sent through the lens and back may miss [pixels], and steps from the centre at which it is looked
_MOST_MISSED, _STEPS = 0.5, 24


@dataclass(frozen=True, slots=True)
class _Found:
    """Numbers of one camera in a file, as they stand there; ``name`` is what sets it apart from others."""

    name: str
    matrix: Any
    distortion: Any


def read_camera(path: Path, name: str | None = None, *, depth: bool = False) -> Camera:
    """The camera in a file; of several the one called ``name``, or for ``depth`` the infrared one.

    Its size is 0 x 0 where the file states none: `fit_size` gives it the picture's. Raises `ReadError` where the file
    is no such thing, contradicts itself, holds several cameras, or has a distortion that folds the picture over.
    """
    if path.suffix.lower() in (".yml", ".yaml", ".xml"):
        record = _stored(path)
    else:
        record = load_json(path, lambda reason: _no_camera(path, "not JSON ({reason})", reason=reason))
    return camera_of(path, record, name, depth=depth)


def camera_of(path: Path, record: Any, name: str | None = None, *, depth: bool = False) -> Camera:
    """The camera in the contents of a file, as `read_camera` finds it."""
    if not isinstance(record, dict):
        raise _no_camera(path, "no intrinsics in it ({reason})", reason="no names")
    try:
        found = _one_of(path, list(_cameras(record)), name, depth=depth)
        matrix = _square(found.matrix)
        distortion = tuple(float(value) for value in np.ravel(_numbers(found.distortion)))
        width, height = _size(record)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as reason:
        raise _no_camera(path, "no intrinsics in it ({reason})", reason=str(reason)) from None
    _refuse_distortion(path, record, distortion)
    if width or height:
        _refuse_unsound(path, matrix, width, height)
    known = {"width", "height", "intrinsic_matrix", "distortion", "rms_pixels"}
    own = "intrinsic_matrix" in record
    extras = tuple(sorted((key, value) for key, value in record.items() if key not in known)) if own else ()
    (fx, _, cx), (_, fy, cy) = (map(float, row) for row in matrix[:2])
    camera = Camera(width, height, fx, fy, cx, cy, distortion, extras, record.get("rms_pixels"))
    return refuse_folded(camera, path) if width else camera


def _stored(path: Path) -> dict[str, Any]:
    """The contents of a YAML or XML file as OpenCV's FileStorage reads them, matrices as rows, cols and data."""
    import cv2

    if not path.is_file():
        raise ReadError(path, "no such file", needed="a camera's file", remedy="Check the name and the folder")
    if path.stat().st_size > _MOST_BYTES:
        raise _no_camera(path, "{bytes:count} bytes", "a camera's few numbers", bytes=path.stat().st_size)
    text = path.read_text(encoding="utf-8", errors="replace").replace("\0", " ")
    try:
        storage = cv2.FileStorage(text, cv2.FILE_STORAGE_READ | cv2.FILE_STORAGE_MEMORY)
        plain = _plain(storage.root(), 0)
    except (SystemError, cv2.error, RuntimeError, RecursionError):
        raise _no_camera(path, "neither YAML nor XML of a camera") from None
    return plain if isinstance(plain, dict) else {}


def _plain(node: Any, depth: int) -> Any:
    """A node as dicts, lists, numbers and words; what lies deep or is long is no camera's."""
    if node.isMap():
        return {key: _plain(node.getNode(key), depth + 1) for key in node.keys() if depth < 4}  # noqa: SIM118
    if node.isSeq():
        return [_plain(node.at(i), depth + 1) for i in range(node.size())] if node.size() <= 64 and depth < 4 else []
    if node.isInt() or node.isReal():
        return node.real()
    return node.string() if node.isString() else None


def _key(name: str) -> str:
    return "".join(sign for sign in name.lower() if sign.isalnum())


def _cameras(record: dict[str, Any]) -> Iterator[_Found]:
    """Every camera a file holds: names that differ by what stands before or after, as ``RGB_`` or the 1 of ``M1``."""
    named = {_key(str(key)): (str(key), value) for key, value in record.items()}
    scalars = [named[one][1] for one in ("fx", "fy", "cx", "cy") if one in named]
    if len(scalars) == 4:
        fx, fy, cx, cy = map(float, scalars)
        lens = [float(named[one][1]) for one in ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6") if one in named]
        distortion = named["distortion"][1] if "distortion" in named else lens
        yield _Found("", [fx, 0, cx, 0, fy, cy, 0, 0, 1], distortion)
        return
    for key, (name, value) in named.items():
        for word in _MATRIX:
            before, _, after = key.partition(word) if len(word) > 1 else ("", "", key.removeprefix(word))
            alone = key.startswith(word) if len(word) == 1 else word in key
            if not (alone and (not after or after.isdigit())) or np.size(_numbers(value)) != 9:
                continue
            lens = next((named[before + one + after][1] for one in _DISTORTION if before + one + after in named), [])
            yield _Found(name[: len(before)].strip("_") or after, value, lens)
            break


def _one_of(path: Path, found: list[_Found], name: str | None, *, depth: bool) -> _Found:
    if not found:
        raise KeyError("intrinsic_matrix")
    if name is None and depth:
        name = next((one.name for one in found if _key(one.name) in _DEPTH), None)
    fitting = found if name is None else [one for one in found if one.name.lower() == name.lower()]
    if len(fitting) == 1:
        return fitting[0]
    names = tuple(one.name or "without a name" for one in found)
    holds = "it holds several cameras" if len(found) > 1 else "it holds another camera"
    raise ReadError(
        path,
        f"{holds}: {{names}}",
        needed="the one that took these pictures",
        remedy='Name it, as [camera] name = "{first}" in the set-up, or put its numbers alone into a file',
        names=names,
        first=names[0],
    )


def _numbers(value: Any) -> Any:
    return value["data"] if isinstance(value, dict) and "data" in value else value


def _square(value: Any) -> Array:
    """Matrix (3, 3), by whichever of rows and columns the zeros allow."""
    matrix = np.array(_numbers(value), float).reshape(3, 3)
    return matrix.T if matrix[0, 2] == 0 and matrix[1, 2] == 0 else matrix


def _size(record: dict[str, Any]) -> tuple[int, int]:
    """Pixels across and down that a file states, or 0 where it states none."""
    named = {_key(str(key)): value for key, value in record.items()}
    for word in _SIZE:
        pair = _numbers(named.get(word))
        if isinstance(pair, list) and len(pair) == 2:
            return int(pair[0]), int(pair[1])
    wide = next((named[word] for word in _WIDTH if word in named), 0)
    high = next((named[word] for word in _HEIGHT if word in named), 0)
    if "intrinsic_matrix" in record and not (wide and high):
        raise KeyError("width" if not wide else "height")
    return int(wide), int(high)


def _no_camera(path: Path, found: str, needed: str = _EXAMPLE, **values: object) -> ReadError:
    return ReadError(path, found, needed=needed, remedy="Export the intrinsics again", **values)


def _refuse_distortion(path: Path, record: dict[str, Any], distortion: tuple[float, ...]) -> None:
    """Raise `ReadError` for coefficients of another model, or of a number that OpenCV's has not."""
    model = str(record.get("distortion_model", "")).lower()
    if model not in _MODELS:
        raise ReadError(
            path,
            "distortion of the kind '{model}'",
            needed="coefficients k1 k2 p1 p2 k3 ... of a lens that is no fish-eye",
            remedy="Calibrate with {run:calibrate}",
            model=model[:40],
        )
    if len(distortion) not in _COEFFICIENTS or not np.isfinite(distortion).all():
        raise ReadError(
            path,
            "{count} distortion coefficients",
            needed="0, 4, 5, 8, 12 or 14 (k1 k2 p1 p2 k3 ...)",
            remedy="Correct the file",
            count=len(distortion),
        )


def _refuse_unsound(path: Path, matrix: Array, width: int, height: int) -> None:
    """Raise `ReadError` for a matrix (3, 3) that no camera of so many pixels has."""
    (fx, skew, cx), (_, fy, cy) = matrix[0], matrix[1]
    values = {"fx": share(fx), "fy": share(fy), "cx": share(cx), "cy": share(cy), "width": width, "height": height}
    sound = np.isfinite(matrix).all() and np.allclose(matrix[2], [0, 0, 1]) and skew == 0 and min(width, height) > 0
    if not (sound and 0.1 * width < fx < 20 * width and 0.1 * height < fy < 20 * height):
        found = "fx {fx:number}, fy {fy:number}, cx {cx:number}, cy {cy:number} for {width} x {height} pixels"
        raise _no_camera(path, found, "focal lengths and centre in pixels", **values)
    if not (-0.5 * width < cx < 1.5 * width and -0.5 * height < cy < 1.5 * height):
        found = "principal point {cx:number}, {cy:number} far outside {width} x {height} pixels"
        raise _no_camera(path, found, "the matrix column by column", **values)


def folds_at(camera: Camera) -> float | None:
    """How far out, as a share of the way from the centre to the corners, the distortion turns back; None: nowhere.

    A picture of a lens grows from its centre outwards along every ray; where the polynomial begins to shrink, two
    rays have one pixel and none beyond has any.
    """
    import cv2

    if not any(camera.distortion):
        return None
    wide, high = camera.width - 1.0, camera.height - 1.0
    nine = [(x, y) for x in (0, wide / 2, wide) for y in (0, high / 2, high)]
    edge = np.array([*nine[:4], *nine[5:]])
    centre = np.array([camera.cx, camera.cy])
    steps = np.arange(1, _STEPS + 1) / _STEPS
    pixels = (centre + steps[:, None, None] * (edge - centre)).reshape(-1, 2)
    rays = np.column_stack([camera.straight(pixels), np.ones(len(pixels))])
    lens = np.array(camera.distortion)
    zero = np.zeros(3)
    back = cv2.projectPoints(rays, zero, zero, camera.matrix, lens)[0].reshape(-1, 2)
    longer = cv2.projectPoints(rays * [1.002, 1.002, 1.0], zero, zero, camera.matrix, lens)[0].reshape(-1, 2)
    with np.errstate(invalid="ignore"):
        grows = ((longer - back) * (pixels - centre)).sum(axis=1) > 0
        sound = grows & (np.hypot(*(back - pixels).T) < _MOST_MISSED)
    bad = ~sound.reshape(_STEPS, -1).all(axis=1)
    return float(steps[bad.argmax()]) if bad.any() else None


def refuse_folded(camera: Camera, path: Path) -> Camera:
    """The same camera; raises `ReadError` where its distortion folds the picture over."""
    at = folds_at(camera)
    if at is None:
        return camera
    raise ReadError(
        path,
        "its distortion folds the picture over at {at:share} of the way from the centre to the corners",
        needed="a lens whose picture grows up to its corners, coefficients in the order k1 k2 p1 p2 k3",
        remedy="Calibrate again with the board near all corners, or correct order and signs of the coefficients",
        at=share(at),
    )


def camera_beside(picture: Path) -> tuple[Camera, Path]:
    """The camera whose file stands beside a picture or in its folder; raises `ReadError` that says how to get one."""
    folder = picture if picture.is_dir() else picture.parent
    stems = _STEMS if picture.is_dir() else (picture.stem, f"{picture.stem}_intrinsics", *_STEMS)
    for name in (stem + ending for stem in stems for ending in _ENDINGS):
        if os.path.lexists(folder / name):
            return read_camera(plain_in(folder, folder / name), depth=True), folder / name
    raise ReadError(
        picture,
        "no intrinsics (focal length and centre in pixels) beside it",
        needed="a file {name} such as {example}, with depth_scale (units per metre)",
        remedy="Export the camera's intrinsics with the capture, or make the file with {run:calibrate}",
        name=stems[0] + _ENDINGS[0],
        example=_EXAMPLE,
    )


def fit_size(camera: Camera, camera_file: Path, width: int, height: int, picture: Path) -> Camera:
    """The same camera for a picture of that size, if it is only scaled; raises `ReadError` otherwise.

    A camera of no stated size takes the picture's, if its numbers suit that.
    """
    if not camera.width:
        # a centre that lies in the middle of another picture is another picture's
        if max(abs(camera.cx / width - 0.5), abs(camera.cy / height - 0.5)) > 0.2:
            raise ReadError(
                picture,
                "{width} x {height} pixels, but {file} has its centre at {cx:number}, {cy:number}",
                needed="the lens of this picture; its file states no size",
                remedy="Give the file that belongs to these pictures",
                width=width,
                height=height,
                file=camera_file.name,
                cx=share(camera.cx),
                cy=share(camera.cy),
            )
        sized = replace(camera, width=width, height=height)
        _refuse_unsound(camera_file, sized.matrix, width, height)
        return refuse_folded(sized, camera_file)
    ratio = width / camera.width
    if (width, height) == (camera.width, camera.height):
        return camera
    if abs(height - camera.height * ratio) > 1.0:
        turned = " (turned)" if (height, width) == (camera.width, camera.height) else ""
        raise ReadError(
            picture,
            "{width} x {height} pixels, but {file} is for {wide} x {high}" + turned,
            needed="intrinsics of this picture",
            remedy="Export both from the same capture; a lens file holds for pictures of its own shape only",
            width=width,
            height=height,
            file=camera_file.name,
            wide=camera.width,
            high=camera.height,
        )
    # centres of pixels lie at whole numbers, so half a pixel shifts with the scale
    cx, cy = ((centre + 0.5) * ratio - 0.5 for centre in (camera.cx, camera.cy))
    fx, fy = camera.fx * ratio, camera.fy * ratio
    return replace(camera, width=width, height=height, fx=fx, fy=fy, cx=cx, cy=cy)
