"""The walls of a capture as a list, with how unit, up and room side were settled and what settles them otherwise."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterator
from typing import Any

from flatscan.core.model import Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import degrees, metres, share
from flatscan.core.settled import LIKELY, OPEN, Otherwise, Settled
from flatscan.jobs.listing import Listed, Undecided
from flatscan.report.result_document import SCHEMA, plain_values
from flatscan.report.say import say
from flatscan.report.sections.level_section import level_steps, level_values
from flatscan.wall import Corner, Room

_WIDTH = 96
_TOGETHER = "\N{NO-BREAK SPACE}"
_SURE = {"given": "list.given", "sure": "list.sure", "likely": "list.likely", "open": "list.open"}
_OF = {"file_unit": "list.unit", "up": "list.up"}


def wall_list(listed: Listed | Undecided, files: tuple[str, ...] = ()) -> dict[str, object]:
    """The walls of a capture as the document of ``survey --list --json``.

    Where more than one way fits the capture there are no walls until somebody chooses: ``readings`` holds those of
    every way, ``asked`` the question.
    """
    if isinstance(listed, Undecided):
        ways = [_document(way) | {"option": _option(way.settings)} for way in listed.ways]
        head = {"schema": SCHEMA, "walls": [], "corners": [], "warnings": [], "asked": say(listed.asks)}
        return plain_values(head) | {"readings": ways, "files": list(files)}
    return {"schema": SCHEMA} | _document(listed) | {"files": list(files)}


def _option(settings: tuple[tuple[str, str], ...]) -> str:
    return " ".join(f"--{setting.replace('_', '-')} {value}" for setting, value in settings)


def _document(listed: Listed) -> dict[str, object]:
    room = listed.room
    walls = [
        {
            "number": wall.number,
            "part": wall.part,
            "width_mm": wall.width,
            "height_mm": wall.height,
            "share": wall.share,
            "seen_share": wall.seen_share,
            "side": _settled(room.side_of(wall)),
            "step_mm": level_values(wall)["step_mm"],
        }
        for wall in room.walls
    ]
    corners = [
        {
            "left": corner.left,
            "right": corner.right,
            "angle_deg": degrees(math.degrees(corner.angle)),
            "out_of_square_mm": corner.out_of_square,
            "u_out_of_square_mm": corner.u_out_of_square,
            "leg_mm": corner.leg,
        }
        for corner in room.corners
    ]
    known = {"unit": _settled(listed.unit), "up": _settled(room.up)}
    return plain_values({"walls": walls, "corners": corners, "warnings": list(room.notes)} | known)


def _settled(settled: Settled | None) -> dict[str, object] | None:
    if settled is None:
        return None
    others: list[dict[str, object]] = []
    for one in settled.others:
        other: dict[str, object] = {"option": _option(((settled.setting, one.value),))}
        if one.width is not None:
            other |= {"width_mm": one.width, "height_mm": one.height}
        others.append(other)
    option = _option(((settled.setting, settled.value),))
    taken = {"value": settled.value, "known_from": settled.by, "sure": settled.sure, "option": option}
    return taken | {"alternatives": others}


def wall_list_text(name: str, listed: Listed | Undecided | Room, units: str) -> str:
    """The walls of a capture for reading: unit and up, a line a wall with its room side, and how square they meet."""
    if isinstance(listed, Undecided):
        lines = [say(note("list.undecided", file=name, asks=listed.asks), units)]
        for way in listed.ways:
            lines += [
                say(note("list.way", option=_option(way.settings)), units),
                *(f"    {say(_line(wall), units)}" for wall in way.room.walls),
            ]
        return "\n".join(lines)
    room = listed if isinstance(listed, Room) else listed.room
    names = {wall.number for wall in room.walls}
    head = note("list.wall" if len(names) == 1 else "list.walls", file=name, walls=len(names))
    known = [listed.unit, room.up] if isinstance(listed, Listed) else []
    lines = [say(head, units)]
    for settled in known:
        if settled is not None:
            lines += _wrapped(say(_known(settled), units))
    lines += _walls(room, units, "  ")
    lines += [f"  {say(_square(corner), units)}" for corner in room.corners]
    said = [] if isinstance(listed, Room) else [say(one, units) for one in room.notes]
    return "\n".join([*lines, *(line for text in said for line in _wrapped(text))])


def _walls(room: Room, units: str, indent: str) -> Iterator[str]:
    """A line a wall, and one with how its room side is known."""
    for wall in room.walls:
        yield indent + say(_line(wall), units)
        side = room.side_of(wall)
        if side is not None:
            yield from _wrapped(say(_side(side), units), indent + "  ")
        if wall.part == "a":
            yield from (f"{indent}  {say(said, units)}" for said in level_steps(wall))


def _line(wall: Wall) -> Note:
    """A wall: its size, its share of the points, what is in it, and whether it was seen whole."""
    code = "list.wall-with-openings" if wall.openings else "list.wall-of-room"
    more: dict[str, Any] = {"openings": len(wall.openings)} if wall.openings else {}
    sizes = {"width": metres(wall.width), "height": metres(wall.height), "share": share(wall.share)}
    line = note(code, None, number=wall.name, **sizes, **more)
    half = next((one for one in wall.notes if one.code == "wall.half-seen"), None)
    return line if half is None else note("list.wall-half-seen", wall=line, seen=half)


def _known(settled: Settled) -> Note:
    """What was taken, by what, how sure, and what each other value would make of wall 1."""
    taken = note(_OF[settled.setting], value=settled.value, by=settled.by, sure=note(_SURE[settled.sure]))
    if not settled.others:
        return taken
    others = tuple(_other(settled.setting, one) for one in settled.others)
    return note("list.known-otherwise", taken=taken, others=others)


def _other(setting: str, one: Otherwise) -> Note:
    option = _option(((setting, one.value),))
    if one.width is None or one.height is None:
        return note("list.other", option=option)
    return note("list.other-size", option=option, width=metres(one.width), height=metres(one.height))


def _side(side: Settled) -> Note:
    """How the room side is known, and the option for the other one."""
    other = _option(((side.setting, side.others[0].value),))
    option = _option(((side.setting, side.value),))
    if side.sure == OPEN:
        return note("list.side-asked", option=option, other=other)
    values: dict[str, Any] = {"by": side.by, "sure": note(_SURE[side.sure]), "other": other}
    return note("list.side-likely", option=option, **values) if side.sure == LIKELY else note("list.side", **values)


def _wrapped(text: str, indent: str = "  ") -> list[str]:
    """Lines in which an option and its value stay together, so that they can be copied."""
    kept = re.sub(r"(--[a-z-]+) (?=[\w-])", f"\\1{_TOGETHER}", text)
    lines = textwrap.wrap(
        kept,
        _WIDTH,
        initial_indent=indent,
        subsequent_indent=indent + "  ",
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace(_TOGETHER, " ") for line in lines]


def _square(corner: Corner) -> Note:
    between: dict[str, Any] = {"left": corner.left, "right": corner.right}
    if corner.out_of_square is None:
        return note("list.corner-not-known", None, **between)
    code = "list.corner-open" if corner.out_of_square > 0 else "list.corner-closed"
    return note(code, None, off=metres(abs(corner.out_of_square)), leg=metres(corner.leg), **between)
