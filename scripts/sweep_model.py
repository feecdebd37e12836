"""A video of a laser line swept over a wall of known relief, drawn pixel by pixel: turning by hand, shutter, codec.

The errors in it are none that the program's own budget is made of: the turning speed wanders, rows are read one after
the other, the fan is bent, the light has grain, the sensor has noise, and the video is packed by a real codec.
"""

import json

import cv2
import numpy as np

from flatscan.capture.calibration.printed_marks import marker_bits
from flatscan.capture.camera import Camera

PLACES = ((0.25, 0.3), (1.2, 0.25), (2.15, 0.3), (2.15, 1.0), (1.2, 1.05), (0.25, 1.0))


class SweepScene:
    """A wall z = relief(x, y) with two straight strips on it, a camera that stands still, a laser that turns.

    ``jitter`` is how far the turning speed wanders (relative), ``readout`` and ``exposure`` are parts of the time from
    frame to frame, ``bow(y)`` [m] how far the fan's light stands off its plane, ``strips`` places (x, y, off) of two or
    more references, out of straight by ``skew(x)`` [m]. ``nudge`` [pixels] moves the picture from the middle of the
    video on, ``shake`` [pixels] lets a hand wander that holds the camera, ``scale`` makes all of the scene smaller but
    what is in mm. ``tilt`` [m per m] leans the plane of light. Frames ``lost`` are not recorded, and those recorded
    have been through a JPEG of ``quality`` first.
    """

    def __init__(self, *, size=(640, 360), focal=540.0, centre=(1.6, 0.66, 2.5), look=(1.2, 0.65), lens=(),
                 pivot=(-1.0, 0.7, 0.8), lines=60, span=(-0.04, 2.44), wall=(2.4, 1.3),
                 relief=lambda x, y: 0.0 * (x + y), strips=((-0.045, 0.010), (1.345, 0.010)), broad=0.06,
                 bow=lambda y: 0.0 * y, target=0.10,
                 places=PLACES, jitter=0.3, readout=0.6, exposure=0.1, seed=1, noise=1.5, speckle=0.1, thick=0.008,
                 power=150.0, nudge=0.0, tilt=0.0, skew=lambda x: 0.0 * x, scale=1.0, shake=0.0, lost=(),
                 quality=None):  # fmt: skip
        self.camera = Camera(*size, focal, focal, size[0] / 2 - 0.5, size[1] / 2 - 0.5, tuple(lens))
        self.centre, self.pivot = scale * np.array(centre), scale * np.array(pivot)
        self.wall_size, self.broad = tuple(scale * side for side in wall), scale * broad
        self.strips = tuple((scale * place, off) for place, off in strips)
        self.relief, self.bow, self.skew = relief, bow, skew
        self.target, self.places = scale * target, [(round(scale * x, 4), round(scale * y, 4)) for x, y in places]
        self.rng = np.random.default_rng(seed)
        self.thick, self.power = scale * thick, power
        self.readout, self.exposure, self.nudge, self.tilt = readout, exposure, nudge, tilt
        speed = 1 + jitter * np.convolve(self.rng.normal(0, 1, lines + 20), np.ones(5) / np.sqrt(5), "same")[10:-10]
        turned = np.concatenate([[0], np.cumsum(np.clip(speed, 0.2, None))])
        # evenly along the wall on the average: a hand that follows its line
        self.at = scale * (span[0] + (span[1] - span[0]) * turned / turned[-1])
        self.lines, self.lost, self.quality = lines, frozenset(lost), quality
        # a hand that drifts and is drawn back: what is left of a step after ten frames is a third
        wander = np.zeros((lines, 2))
        for number in range(1, lines if shake else 1):
            wander[number] = 0.9 * wander[number - 1] + np.sqrt(0.19) * shake * self.rng.normal(0, 1, 2)
        self.wander = wander
        # noise that is drawn once and shifted about: drawing it anew would take most of the time
        self.grains = [cv2.GaussianBlur(self.rng.normal(0, 1, size[::-1]), (0, 0), 0.8) for _ in range(2)]
        self.grains = [(1 + one * speckle / one.std()).clip(0).astype(np.float32) for one in self.grains]
        self.hiss = [self.rng.normal(0, noise, (*size[::-1], 3)).astype(np.float32) for _ in range(2)]
        out = np.array([scale * look[0], scale * look[1], 0.0]) - self.centre
        out /= np.linalg.norm(out)
        right = np.cross(out, [0, 1.0, 0])
        right /= np.linalg.norm(right)
        self.turn = np.stack([right, np.cross(out, right), out])
        self._rays()

    def height(self, x, y):
        """The wall with its strips."""
        z = self.relief(x, y)
        for place, off in self.strips:
            # strips that are themselves out of straight by ``skew``
            z = np.where(np.abs(y - place) <= self.broad / 2, off + self.skew(x), z)
        return z

    def _rays(self):
        col, row = np.meshgrid(np.arange(self.camera.width), np.arange(self.camera.height))
        flat = self.camera.straight(np.column_stack([col.ravel(), row.ravel()]))
        ray = np.column_stack([flat, np.ones(len(flat))]) @ self.turn
        share = (0.02 - self.centre[2]) / ray[:, 2]
        for _ in range(8):
            x, y = (self.centre[i] + share * ray[:, i] for i in (0, 1))
            share = (self.height(x, y) - self.centre[2]) / ray[:, 2]
        self.hit = self.centre + share[:, None] * ray
        self.deep = float(np.abs(self.hit[:, 2]).max()) + 0.002

    def shade(self):
        """The unlit wall (rows, cols), 100 for bright plaster."""
        x, y, _ = self.hit.T
        shade = 95 + 8 * np.sin(31 * x + 3) * np.cos(27 * y) + 5 * np.sin(160 * x + 90 * y)
        beyond = (x < 0) | (y < 0) | (x > self.wall_size[0]) | (y > self.wall_size[1])
        shade = np.where(beyond, 60.0, shade)
        for number, place in enumerate(self.places):
            px, py = (x - place[0]) / self.target + 0.5, (y - place[1]) / self.target + 0.5
            shade = np.where((np.abs(px - 0.5) < 0.72) & (np.abs(py - 0.5) < 0.72), 190.0, shade)
            inside = (px >= 0) & (px < 1) & (py >= 0) & (py < 1)
            bits = marker_bits(number)
            row, col = ((1 - py[inside]) * 6).astype(int).clip(0, 5), (px[inside] * 6).astype(int).clip(0, 5)
            shade[inside] = np.where(bits[row, col], 190.0, 30.0)
        for place, _ in self.strips:
            shade = np.where(np.abs(y - place) <= self.broad / 2, 140.0, shade)
        return shade.reshape(self.camera.height, self.camera.width)

    def light(self, number, albedo):
        """Light of one frame on each pixel, 0 to 1, each row at its own time."""
        lit, high = np.zeros(len(self.hit)), self.camera.height
        parts = np.array([0.0]) if self.exposure == 0 else np.linspace(0, self.exposure, 3)
        for part in parts:
            time = number + self.readout * np.arange(high) / high + part
            at = np.interp(time, np.arange(len(self.at)), self.at)
            across, off = at - self.pivot[0], self.pivot[2]
            # normal of the upright plane through the pivot and the place on the wall
            nx, nz = off / np.hypot(across, off), across / np.hypot(across, off)
            # light is no further from its place on the wall than the plane leans and heights move it
            reach = (3 * self.thick + self.deep) / nx.min() + abs(self.tilt) * self.wall_size[1]
            band = np.flatnonzero(np.abs(self.hit[:, 0].reshape(high, -1) - at[:, None]) < reach)
            (x, y, z), row = self.hit[band].T, band // self.camera.width
            away = (x - self.pivot[0]) * nx[row] + (z - self.pivot[2]) * nz[row]
            away = away - self.tilt * (y - self.pivot[1]) * nx[row] - self.bow(y)
            near = (np.abs(away) < 3 * self.thick) & (x > self.pivot[0])
            lit[band[near]] += np.exp(-4 * np.log(2) * (away[near] / self.thick) ** 2) / len(parts)
        return lit.reshape(albedo.shape).astype(np.float32) * self._shifted(self.grains) * albedo

    def _shifted(self, fields):
        """One of some fields of noise, shifted about."""
        which, down, across = self.rng.integers(0, (len(fields), 997, 997))
        return np.roll(fields[which], (down, across), (0, 1))

    def frames(self):
        """Frames (rows, cols, 3) of 0 to 255, blue first, one after the other."""
        albedo = (self.shade() / 100).astype(np.float32)
        dim = cv2.GaussianBlur(albedo * 60.0, (0, 0), 0.6)
        for number in range(self.lines):
            red = dim + self.power * cv2.GaussianBlur(self.light(number, albedo), (0, 0), 0.7)
            made = cv2.merge([dim, dim + np.float32(0.08) * (red - dim), red]) + self._shifted(self.hiss)
            # rounded and held within 0 to 255
            made = cv2.convertScaleAbs(np.maximum(made, 0, out=made))
            across, down = self.wander[number] + [self.nudge * (number >= self.lines // 2), 0.0]
            if across or down:
                made = cv2.warpAffine(made, np.float32([[1, 0, across], [0, 1, down]]), made.shape[1::-1])
            if self.quality is not None:
                made = cv2.imdecode(cv2.imencode(".jpg", made, [cv2.IMWRITE_JPEG_QUALITY, self.quality])[1], 1)
            if number not in self.lost:
                yield made

    def video(self, path, codec="MJPG"):
        """Write the video."""
        size = (self.camera.width, self.camera.height)
        writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*codec), 30.0, size)
        for frame in self.frames():
            writer.write(frame)
        writer.release()
        return path

    def photos(self, folder):
        """Write one picture a line instead; their names."""
        names = []
        for number, frame in enumerate(self.frames()):
            names.append(f"line{number:03d}.jpg")
            cv2.imwrite(str(folder / names[-1]), frame, [cv2.IMWRITE_JPEG_QUALITY, 95])
        return names

    def setup(self, folder, *, video="sweep.avi", photos=None, extra="", axis=None, strips=None, size=True, **laser):
        """Write the set-up file and the camera's."""
        (folder / "camera.json").write_text(self.camera.text())
        pivot = [f"{value * 1000:.1f} mm" for value in self.pivot]
        hung = ", ".join(f'{i} = ["{x} m", "{y} m"]' for i, (x, y) in enumerate(self.places))
        ends = (-0.1, self.wall_size[0] + 0.1)
        marks = "".join(
            f'[[reference]]\nwidth = "{self.broad} m"\nat = '
            + json.dumps([[f"{x} m", f"{y} m", f"{off * 1000} mm"] for x in ends])
            + "\n"
            for y, off in (self.strips if strips is None else strips)
        )
        sweep = f"photos = {json.dumps(photos)}" if photos else f'video = "{video}"'
        walls = f'width = "{self.wall_size[0]} m"\nheight = "{self.wall_size[1]} m"\n' if size else ""
        (folder / "setup.toml").write_text(
            f'[wall]\nname = "hall"\n{walls}[camera]\nfile = "camera.json"\n'
            + f'[laser]\npivot = {json.dumps(pivot)}\nchannel = "{laser.get("channel", "red")}"\n'
            + (f'axis = "{axis}"\n' if axis else "")
            + f'[targets]\nsize = "{self.target * 1000} mm"\nat = {{ {hung} }}\n'
            + marks
            + f"[[sweep]]\n{sweep}\n"
            + extra
        )
        return folder / "setup.toml"
