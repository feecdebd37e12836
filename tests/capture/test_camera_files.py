"""Camera files of the general libraries: published contents give published numbers, and what no lens is is refused."""

import json

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.capture.calibration.camera_file import camera_beside, fit_size, folds_at, read_camera
from flatscan.capture.camera import Camera
from flatscan.core.errors import ReadError

# samples/data/left_intrinsics.yml of OpenCV (Apache 2.0), its camera without the poses: a board of 9 x 6 corners on 13
# photos of 640 x 480
LEFT = """%YAML:1.0
---
nframes: 13
image_width: 640
image_height: 480
board_width: 9
board_height: 6
flags: 2
camera_matrix: !!opencv-matrix
   rows: 3
   cols: 3
   dt: d
   data: [ 5.3591573396163199e+02, 0., 3.4228315473308373e+02, 0.,
       5.3591573396163199e+02, 2.3557082909788173e+02, 0., 0., 1. ]
distortion_coefficients: !!opencv-matrix
   rows: 5
   cols: 1
   dt: d
   data: [ -2.6637260909660682e-01, -3.8588898922304653e-02,
       1.7831947042852964e-03, -2.8122100441115472e-04,
       2.3839153080878486e-01 ]
avg_reprojection_error: 3.9259098975581364e-01
"""
MATRIX = [535.9, 0.0, 342.3, 0.0, 535.9, 235.6, 0.0, 0.0, 1.0]


def xml(*names, size=""):
    """An XML of FileStorage's with a camera for each name, without a size as depth cameras' are published."""
    parts = ""
    for i, name in enumerate(names):
        numbers = (" ".join(str(n + i) if n > 1 else str(n) for n in MATRIX), "0.07 -0.03 -0.009 -0.0005 -0.14")
        for word, rows, data in (("intrinsic_params", 3, numbers[0]), ("distortion_coefficients", 1, numbers[1])):
            full = f"{name}_{word}"
            parts += f'<{full} type_id="opencv-matrix"><rows>{rows}</rows><cols>{9 // rows if rows == 3 else 5}</cols>'
            parts += f"<dt>d</dt><data>{data}</data></{full}>\n"
    return f'<?xml version="1.0"?>\n<opencv_storage>{size}{parts}</opencv_storage>\n'


def written(tmp_path, name, text):
    (tmp_path / name).write_text(text)
    return tmp_path / name


def test_a_published_yaml_gives_its_published_numbers(tmp_path):
    camera = read_camera(written(tmp_path, "left.yml", LEFT))
    assert (camera.width, camera.height) == (640, 480)
    assert_allclose([camera.fx, camera.fy, camera.cx, camera.cy], [535.91573, 535.91573, 342.28315, 235.57083])
    assert camera.distortion == (
        -2.6637260909660682e-01, -3.8588898922304653e-02, 1.7831947042852964e-03, -2.8122100441115472e-04,
        2.3839153080878486e-01,
    )  # fmt: skip
    # signs as OpenCV has them: k1 under 0 is a barrel, in which what lies far out is drawn toward the middle
    ray = camera.straight(np.array([[640.0, 235.57]]))
    assert ray[0, 0] > (640 - 342.28) / 535.9


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("a.json", json.dumps({"camera_matrix": [MATRIX[:3], MATRIX[3:6], MATRIX[6:]], "dist": [[0.1, 0, 0, 0, 0]],
                               "image_size": [640, 480]})),
        ("a.json", json.dumps({"fx": 535.9, "fy": 535.9, "cx": 342.3, "cy": 235.6, "k1": 0.1, "k2": 0.0, "p1": 0.0,
                               "p2": 0.0, "width": 640, "height": 480})),
        ("a.yaml", f"image_width: 640\nimage_height: 480\ndistortion_model: plumb_bob\ncamera_matrix:\n  rows: 3\n"
                   f"  cols: 3\n  data: {MATRIX}\ndistortion_coefficients:\n  rows: 1\n  cols: 5\n"
                   "  data: [0.1, 0, 0, 0, 0]\n"),
        ("a.xml", xml("Left", size="<image_Width>640</image_Width><image_Height>480</image_Height>")),
        ("a.json", json.dumps({"intrinsic_matrix": MATRIX, "width": 640, "height": 480, "distortion": [0.1, 0, 0, 0]})),
    ],
    ids=["rows in JSON", "names in JSON", "plain YAML", "XML", "own by rows"],
)  # fmt: skip
def test_other_layouts_are_read(tmp_path, name, text):
    camera = read_camera(written(tmp_path, name, text))
    assert (camera.width, camera.height) == (640, 480)
    assert_allclose([camera.fx, camera.fy, camera.cx, camera.cy], [535.9, 535.9, 342.3, 235.6])
    assert camera.distortion[0] in (0.1, 0.07)


def test_of_two_cameras_one_must_be_named(tmp_path):
    path = written(tmp_path, "two.xml", xml("RGB", "IR"))
    with pytest.raises(ReadError, match="it holds several cameras: RGB, IR"):
        read_camera(path)
    assert read_camera(path, "rgb").fx == 535.9
    # a depth image is the infrared one's
    assert read_camera(path, depth=True).fx == 536.9
    with pytest.raises(ReadError, match="several cameras"):
        read_camera(path, "left")


def test_a_file_without_a_size_takes_that_of_the_picture_it_suits(tmp_path):
    path = written(tmp_path, "camera.xml", xml("IR"))
    camera, file = camera_beside(tmp_path / "depth.png")
    assert file == path
    assert camera.width == 0
    sized = fit_size(camera, path, 640, 480, tmp_path / "depth.png")
    assert (sized.width, sized.height, sized.fx) == (640, 480, 535.9)
    with pytest.raises(ReadError, match=r"1920 x 1080 pixels, but camera.xml has its centre at 342.3, 235.6"):
        fit_size(camera, path, 1920, 1080, tmp_path / "on.png")


def test_a_file_for_another_picture_is_refused(tmp_path):
    camera = Camera(640, 480, 535.9, 535.9, 342.3, 235.6)
    with pytest.raises(ReadError, match=r"480 x 640 pixels, but c.json is for 640 x 480 \(turned\)"):
        fit_size(camera, tmp_path / "c.json", 480, 640, tmp_path / "on.png")


# r (1 + k1 r^2) turns back at r = 1 / sqrt(-3 k1), straightforward calculus; the corner of this picture is at r = 1
@pytest.mark.parametrize(("k1", "turns"), [(-0.2, None), (-0.5, 0.82), (-2.0, 0.41), (0.3, None)])
def test_a_distortion_that_folds_the_picture_is_refused(tmp_path, k1, turns):
    # the corner as the lens puts it must be in the picture: its size follows from the distortion
    half = 300 * (1 + k1) if turns is None else 300
    camera = Camera(int(2 * half), int(2 * half), 424.3, 424.3, half - 0.5, half - 0.5, (k1, 0.0, 0.0, 0.0))
    at = folds_at(camera)
    assert (at is None) == (turns is None)
    if turns is not None:
        # no ray reaches a pixel further out than the greatest one, at r of the turn times 2 / 3
        greatest = 2 / 3 / np.sqrt(-3 * k1) * 424.3 / (half * np.sqrt(2))
        assert at == pytest.approx(min(greatest, 1.0) * 1.0, abs=0.08)
        with pytest.raises(ReadError, match="folds the picture over at"):
            read_camera(written(tmp_path, "c.json", camera.text()))


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("c.yml", "garbage", "neither YAML nor XML"),
        ("c.yml", "%YAML:1.0\n---\nk: [1, 2\n", "neither YAML nor XML"),
        ("c.xml", "<?xml version='1.0'?><opencv_storage><k>1</k></opencv_storage>", "no intrinsics in it"),
        ("c.yml", LEFT.replace("rows: 5", "rows: 2").replace(", -3.8588898922304653e-02,\n"
         "       1.7831947042852964e-03, -2.8122100441115472e-04,\n       2.3839153080878486e-01", ", 0.1"),
         "2 distortion"),
        ("c.yml", LEFT + "distortion_model: equidistant\n", "distortion of the kind 'equidistant'"),
        ("c.yml", LEFT.replace("image_width: 640", "image_width: 20000"), "fx 535.916"),
        ("c.yml", LEFT.replace("cols: 3", "cols: 30000000").replace("rows: 3", "rows: 3000000").replace(
            "5.3591573396163199e+02, 0.,", "7"), "neither"),
    ],
    ids=["no YAML", "open bracket", "nothing in it", "few coefficients", "fish-eye", "another size", "huge"],
)  # fmt: skip
def test_what_is_no_lens_is_refused_with_the_reason(tmp_path, name, text, words):
    with pytest.raises(ReadError, match=words):
        read_camera(written(tmp_path, name, text))
