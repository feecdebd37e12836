"""Pictures of a laser line on a wall, ray by ray, with a known truth: lens, noise, speckle, clutter, targets.

``pictures`` are easy ones; ``hard_pictures`` are seen by the cameras of scripts/line_model.py.
"""

import json

import cv2
import numpy as np
from line_model import seen_by
from PIL import Image

from flatscan.capture.calibration.printed_marks import marker_bits
from flatscan.capture.camera import Camera


class Scene:
    """A wall z = h(x, y), a camera in front of it looking about square at it, a fan of light from a pivot."""

    def __init__(self, *, width=2000, height=1500, focal=1456.0, centre=(2.6, 1.25, 3.5), look=(2.0, 1.2), lens=(),
                 pivot=(0.8, 1.1, 0.45), at=2.0, relief=lambda x, y: 0.0 * x, bow=lambda y: 0.0 * y, size=0.15,
                 places=((0.6, 0.2), (1.6, 0.12), (3.3, 0.25), (3.4, 1.2), (3.3, 2.2), (1.7, 2.3), (0.6, 2.2),
                         (0.7, 1.2)),
                 seed=1, noise=1.5, speckle=0.08, thick=0.003, level=60.0, roll=0.0, proud=0.0, moved=0.0):  # fmt: skip
        self.camera = Camera(width, height, focal, focal, width / 2 - 0.5, height / 2 - 0.5, tuple(lens))
        self.centre, self.pivot, self.at = np.array(centre), np.array(pivot), at
        self.relief, self.bow, self.size, self.places = relief, bow, size, places
        self.rng, self.noise, self.speckle = np.random.default_rng(seed), noise, speckle
        self.thick, self.level = thick, level
        self.proud, self.moved = proud, moved
        out = np.array([*look, 0.0]) - self.centre
        out /= np.linalg.norm(out)
        right = np.cross(out, [np.sin(roll), np.cos(roll), 0])
        right /= np.linalg.norm(right)
        self.turn = np.stack([right, np.cross(out, right), out])
        self._rays()

    def _rays(self):
        col, row = np.meshgrid(np.arange(self.camera.width), np.arange(self.camera.height))
        flat = self.camera.straight(np.column_stack([col.ravel(), row.ravel()]))
        self.ray = np.column_stack([flat, np.ones(len(flat))]) @ self.turn
        share = -self.centre[2] / self.ray[:, 2]
        for _ in range(4):
            x, y = (self.centre[i] + share * self.ray[:, i] for i in (0, 1))
            share = (self.relief(x, y) - self.centre[2]) / self.ray[:, 2]
        self.hit = self.centre + share[:, None] * self.ray

    def wall(self):
        """The wall with its targets, unlit: (rows, cols) of 0 to 255."""
        x, y, _ = self.hit.T
        shade = 95 + 12 * np.sin(31 * x + 3) * np.cos(27 * y) + 8 * np.sin(260 * x + 90 * y)
        for number, place in enumerate(self.places):
            shift = (np.array(place) - self.centre[:2]) * self.proud / self.centre[2]
            shift += self.rng.normal(0, self.moved, 2)
            px, py = (x - place[0] - shift[0]) / self.size + 0.5, (y - place[1] - shift[1]) / self.size + 0.5
            paper = (np.abs(px - 0.5) < 0.75) & (np.abs(py - 0.5) < 0.75)
            shade = np.where(paper, 215.0, shade)
            inside = (px >= 0) & (px < 1) & (py >= 0) & (py < 1)
            bits = marker_bits(number)
            row, col = ((1 - py[inside]) * 6).astype(int).clip(0, 5), (px[inside] * 6).astype(int).clip(0, 5)
            shade[inside] = np.where(bits[row, col], 215.0, 30.0)
        return shade.reshape(self.camera.height, self.camera.width)

    def light(self):
        """Light of the fan on each pixel, 0 to 1."""
        foot = np.array([self.at, 0.0, 0.0])
        normal = np.cross([0, 1.0, 0], foot - self.pivot)
        normal /= np.linalg.norm(normal) * np.sign(normal[0])
        off = self.hit @ normal - foot @ normal - self.bow(self.hit[:, 1])
        lit = np.exp(-4 * np.log(2) * (off / self.thick) ** 2)
        grain = cv2.GaussianBlur(self.rng.normal(0, 1, (self.camera.height, self.camera.width)), (0, 0), 0.8)
        grain *= self.speckle / grain.std()
        return lit.reshape(grain.shape) * np.clip(1 + grain, 0, None)

    def pictures(self, folder, *, name="1", strength=120.0, clutter=False, on_strength=None):
        """Write on and off pictures; the wall blurs by the lens and the sensor adds noise."""
        albedo = self.wall() / 100
        shade = cv2.GaussianBlur(albedo * self.level, (0, 0), 0.6)
        light = cv2.GaussianBlur(self.light() * albedo, (0, 0), 0.6)
        made = {}
        for word, power in (("on", strength if on_strength is None else on_strength), ("off", 0.0)):
            red = shade + power * light
            if clutter and power:
                red[200:260, 300:340] += 80
                red[700:705, :] += 40
            picture = np.stack([red, shade + 0.08 * (red - shade), shade], axis=-1)
            picture = picture + self.rng.normal(0, self.noise, picture.shape)
            made[word] = np.clip(np.rint(picture), 0, 255).astype(np.uint8)
            # noise does not pack: most of the time would be spent on trying
            Image.fromarray(made[word]).save(folder / f"{word}{name}.png", compress_level=1)
        return made

    def hard_pictures(self, folder, kind, *, moved=(0.0, 0.0)):
        """Write on and off pictures as a camera of a `Kind` sees them: full wells, glow, colour grid, JPEG.

        The light is ``kind.power`` on white. In the second one the camera stands ``moved`` [pixels] aside.
        """
        albedo = self.wall() / 255
        # light between nearer pixels is not drawn: the lens makes up for that
        spread = max(kind.blur[0], 0.6)
        near, far = (cv2.GaussianBlur(albedo * light, (0, 0), spread) for light in (kind.ambient, self.light()))
        for word, power in (("on", kind.power), ("off", 0.0)):
            glow = sum(cv2.GaussianBlur(near + power * far, (0, 0), size) for size in (6.0, 25.0)) / 2
            room, lit = (1 - kind.halo) * near + kind.halo * glow, (1 - kind.halo) * power * far
            if word == "off" and any(moved):
                by = np.array([[1.0, 0.0, moved[0]], [0.0, 1.0, moved[1]]])
                room = cv2.warpAffine(
                    room, by, room.shape[::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
                )
            Image.fromarray(seen_by(kind, room, lit, self.rng)).save(folder / f"{word}1.png", compress_level=1)

    def setup(self, folder, *, at=True, extra="", camera=True, **changes):
        """Write the set-up file and the camera's; ``changes`` replace entries of [laser]."""
        (folder / "camera.json").write_text(self.camera.text())
        pivot = [f"{value * 1000:.1f} mm" for value in changes.get("pivot", self.pivot)]
        hung = ", ".join(f'{i} = ["{x} m", "{y} m"]' for i, (x, y) in enumerate(self.places))
        line = '[[line]]\non = "on1.png"\noff = "off1.png"\n' + (f'at = "{self.at} m"\n' if at else "")
        text = (
            '[wall]\nname = "hall"\nwidth = "4 m"\nheight = "2.5 m"\n'
            + ('[camera]\nfile = "camera.json"\n' if camera else "")
            + f'[laser]\npivot = {json.dumps(pivot)}\nchannel = "{changes.get("channel", "red")}"\n'
            + f'[targets]\nsize = "{self.size * 1000} mm"\nat = {{ {hung} }}\n'
            + line
            + extra
        )
        (folder / "setup.toml").write_text(text)
        return folder / "setup.toml"
