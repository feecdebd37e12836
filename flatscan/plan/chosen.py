"""Humps chosen by hand: what a wall asks for with these of them cut, tried one choice after another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.errors import BadValue
from flatscan.core.model import Relief, Wall
from flatscan.plan.finish import BuildUp, FinishPlane, PlaneOptions, build_up
from flatscan.plan.hacking import Cutter, HackOptions


@dataclass(frozen=True, eq=False)
class Chosen:
    """The wall with some humps cut: its ``relief``, the ``build_up`` on it, and what that ``saves`` [m3].

    ``cuts`` [m] are the depths, one for each place chosen; ``removed`` [m3] is the masonry cut away.
    """

    relief: Relief
    build_up: BuildUp
    saves: float
    cuts: tuple[float, ...]
    removed: float


class ChosenHumps:
    """Tries which humps to cut; the humps are found once, so that each choice after the first takes no time.

    Takes the relief, wall and options the hacking list was made with, and the ``uncut`` build-up. Raises what
    `finish.place` does.
    """

    def __init__(
        self,
        relief: Relief,
        wall: Wall,
        uncut: BuildUp,
        *,
        plane: PlaneOptions | None = None,
        options: HackOptions | None = None,
    ) -> None:
        self.relief, self.wall, self.uncut = relief, wall, uncut
        self.cutter = Cutter(relief, wall, plane or PlaneOptions(), options or HackOptions())
        self.start = self.cutter.stage([]).volume

    def with_cut(self, places: Sequence[tuple[float, float]]) -> Chosen:
        """The wall with the humps at these places [m] cut, each no deeper than allowed (DESIGN, Hacking).

        The first k places of the hacking list save what its line k says. A place without a hump raises `BadValue`.
        """
        cutter = self.cutter
        numbers = [self._hump_at(x, y) for x, y in places]
        stage = cutter.stage(numbers)
        found, wall = stage.found, cutter.wall
        face = found.offset + found.turn * wall.x + found.lean * wall.y
        lowered = np.isin(cutter.label, numbers) & cutter.free
        offset = np.full_like(self.relief.offset, np.nan)
        offset[self.relief.valid] = np.where(lowered, np.minimum(wall.z, face - cutter.plane.least), wall.z)
        relief = replace(self.relief, offset=offset)
        was = self.uncut.plane
        rule = f"{was.rule}, {len(numbers)} hump{'s' if len(numbers) > 1 else ''} cut" if numbers else was.rule
        plane = FinishPlane(
            found.offset, found.turn, found.lean, found.offset - was.offset + was.at_left_foot, rule
        )  # fmt: skip
        made = build_up(relief, self.wall, plane, contacts=found.contacts)
        cuts = tuple(float(stage.depth[cutter.label == number].max()) for number in numbers)
        return Chosen(relief, made, self.start - stage.volume, cuts, stage.cut)

    def _hump_at(self, x: float, y: float) -> int:
        number = int(self.cutter.label[self.cutter.index_of(x, y)])
        if number == 0:
            raise BadValue(
                "hump", f"none at x {x:.2f} m, y {y:.2f} m", needed="a place of the hacking list",
                remedy="Take the place from the list",
            )  # fmt: skip
        return number
