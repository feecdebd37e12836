"""Kinds of values that options take: lengths, places, humps, walls, times; each a malformed option where it is none."""

from __future__ import annotations

import re
from typing import Any

import click


class Length(click.ParamType):
    """A length with its unit, as metres; ``none``: or a bare 0."""

    name = "length"

    def __init__(self, *, none: bool = False) -> None:
        self.none = none

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Metres; a text that is no length is a malformed option."""
        if isinstance(value, float):
            return value
        from flatscan.core.errors import BadValue
        from flatscan.core.typed import parse_length

        if self.none and str(value).strip() == "0":
            return 0.0
        try:
            return parse_length(value, where=param.name if param and param.name else "length")
        except BadValue as wrong:
            self.fail(f"{wrong.found}; needed: {wrong.needed}.", param, ctx)


_VOLUME_UNIT = re.compile(r"\s*(m3|l|litres?|liters?|(us\s*)?gal(lons?)?)$")


class Volume(click.ParamType):
    """A volume in litres (``120``, ``120l``), cubic metres (``0.12m3``) or US gallons (``32gal``), as cubic metres."""

    name = "volume"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Cubic metres; a text that is no volume is a malformed option."""
        if isinstance(value, float):
            return value
        text = str(value).strip().lower().replace("³", "3")
        from flatscan.core.units import volume_scale

        gallons = text.removesuffix("s").removesuffix("lon").endswith("gal")
        scale = 1.0 if text.endswith("m3") else 1 / volume_scale("in" if gallons else "mm")[0]
        try:
            number = float(_VOLUME_UNIT.sub("", text))
        except ValueError:
            self.fail(
                f"'{value}' is not a volume; needed: litres such as 120l, 0.12m3, or US gallons such as 32gal.",
                param,
                ctx,
            )
        if not 0 <= number < 1e9:
            self.fail(f"'{value}' is not a volume from 0 up.", param, ctx)
        return number * scale


class Places(click.ParamType):
    """So many lengths behind each other, parted by commas, such as ``0.2m,0.1m,1.3m,2m``; metres if bare."""

    def __init__(self, number: int, shape: str) -> None:
        self.number, self.name = number, shape

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, ...]:
        """Metres; another number of parts, or a part that is no length, is a malformed option."""
        if isinstance(value, tuple):
            return value
        from flatscan.core.errors import BadValue
        from flatscan.core.typed import parse_place

        parts = value.split(",")
        if len(parts) != self.number:
            self.fail(f"'{value}' has {len(parts)} parts, needed {self.number}: {self.name}.", param, ctx)
        try:
            return tuple(parse_place(part) for part in parts)
        except BadValue as wrong:
            self.fail(f"{wrong.found}; needed: {self.name}.", param, ctx)


class FilePlaces(click.ParamType):
    """So many coordinates behind each other, parted by commas, as they stand in the file: its own numbers and unit."""

    def __init__(self, number: int, shape: str) -> None:
        self.number, self.name = number, shape

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, ...]:
        """Numbers; another number of parts, or a part with a unit, is a malformed option."""
        if isinstance(value, tuple):
            return value
        from flatscan.core.errors import BadValue
        from flatscan.core.settled import file_numbers

        try:
            return file_numbers(value, self.number, param.name if param and param.name else self.name)
        except BadValue as wrong:
            self.fail(f"{wrong.found}; needed: {wrong.needed}.", param, ctx)


class Fixed(click.ParamType):
    """A fixed point ``x,y,offset``, then a band the face may miss it by, then ``beside`` if off the wall beside it."""

    name = "x,y,offset[,band][,beside]"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[Any, ...]:
        """x, y, offset and band in metres, and whether the offset is from the wall beside it."""
        if isinstance(value, tuple):
            return value
        parts = value.split(",")
        beside = parts[-1].strip().lower() == "beside"
        lengths = parts[:-1] if beside else parts
        if len(lengths) not in (3, 4):
            self.fail(f"'{value}' is not a fixed point, needed {self.name} such as 0.8m,1m,12mm", param, ctx)
        x, y, offset, *band = Places(len(lengths), self.name).convert(",".join(lengths), param, ctx)
        return x, y, offset, band[0] if band else 0.0, beside


class Pixels(click.ParamType):
    """Four corners in a photo, ``x,y,x,y,x,y,x,y`` in pixels from its upper left."""

    name = "x,y,x,y,x,y,x,y"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Four pairs; another number of parts, or a part that is no number, is a malformed option."""
        if isinstance(value, tuple):
            return value
        try:
            numbers = [float(part) for part in value.split(",")]
        except ValueError:
            numbers = []
        if len(numbers) != 8:
            self.fail(f"'{value}' is not four corners, needed {self.name} in pixels", param, ctx)
        return tuple(zip(numbers[::2], numbers[1::2], strict=True))


class Target(click.ParamType):
    """A printed target: its number and the place of its middle on the wall, ``number,x,y``."""

    name = "number,x,y"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Number, and x and y in metres."""
        if isinstance(value, tuple):
            return value
        number, _, rest = value.partition(",")
        if not number.strip().isdigit():
            self.fail(f"'{value}' is not a target, needed {self.name} such as 3,0.2m,2.1m", param, ctx)
        return (int(number), *Places(2, self.name).convert(rest, param, ctx))


class CutPlace(click.ParamType):
    """A hump that is cut: ``H1``, its number in the plan without cuts, or ``x,y,depth``, the depth with its unit.

    Of walls planned together it is named with its wall, as ``2:H1``. Not ``numbered``: by its place only.
    """

    def __init__(self, *, numbered: bool = True) -> None:
        self.numbered, self.name = numbered, "H1 or x,y,depth" if numbered else "x,y,depth"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number as it is, or a `Cut` in metres; anything else is a malformed option."""
        from flatscan.plan.cutting import Cut

        if isinstance(value, Cut):
            return value
        if self.numbered and re.fullmatch(r"([0-9]{1,4}:)?[Hh][0-9]{1,4}", str(value).strip()):
            return str(value).strip().upper()
        return Cut(*_place_and_length(self, value, param, ctx))


class FixReading(click.ParamType):
    """A point the face meets in the laser's own readings: ``x,y,reading``, the reading with its unit."""

    name = "x,y,reading"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, ...]:
        """Three lengths in metres; anything else is a malformed option."""
        return value if isinstance(value, tuple) else _place_and_length(self, value, param, ctx)


def _place_and_length(
    kind: click.ParamType, value: Any, param: click.Parameter | None, ctx: click.Context | None
) -> tuple[float, float, float]:
    """Place and length of ``x,y,length``: a place is in bare metres, but a depth of 5 is hardly one of 5 m."""
    x, y, _ = Places(3, kind.name).convert(str(value), param, ctx)
    return x, y, Length().convert(str(value).split(",")[2].strip(), param, ctx)


class Record(click.ParamType):
    """A word of the job's record, ``client=NAME``: a key of [job] and what it says."""

    name = "key=text"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, str]:
        """Key and text; a key that no record has is a malformed option."""
        from dataclasses import fields

        from flatscan.jobs.job_plan import JobRecord

        if isinstance(value, tuple):
            return value
        key, mark, text = (part.strip() for part in value.partition("="))
        known = [item.name for item in fields(JobRecord)]
        if not mark or key not in known:
            self.fail(f"'{value}' is not {self.name}, with a key of {', '.join(known)}", param, ctx)
        return key, text


class Stated(click.ParamType):
    """What somebody states about the wall or the work, ``text|by|date``; the last two may be left out."""

    name = "text|by|date"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The `Statement`; one without a text, or with more parts, is a malformed option."""
        from flatscan.jobs.job_plan import Statement

        if isinstance(value, Statement):
            return value
        parts = [part.strip() for part in value.split("|")]
        if not parts[0] or len(parts) > 3:
            self.fail(f"'{value}' is not a statement, needed {self.name}", param, ctx)
        return Statement(*parts)


class Clock(click.ParamType):
    """A time of day such as ``7:30``, as it is written."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """The time as a text; anything else is a malformed option."""
        from flatscan.core.errors import BadValue
        from flatscan.plan.day import start_of

        try:
            start_of(str(value))
        except BadValue as wrong:
            self.fail(f"{wrong.found}; needed: {wrong.needed}.", param, ctx)
        return str(value).strip()


class WallName(click.ParamType):
    """A wall's number, with a letter for one level of a wall that has several: ``1``, ``1a``; as number and letter."""

    name = "wall"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, str]:
        """Number and letter; anything else is a malformed option."""
        if isinstance(value, tuple):
            return value
        match = re.fullmatch(r"([0-9]{1,6})\s*([a-z]?)", str(value).strip().lower())
        if match is None:
            self.fail(f"'{value}' is not a wall such as 1, or 1a for one level of it", param, ctx)
        return int(match[1]), match[2]


class Squares(click.ParamType):
    """A board's squares across and down, ``WxH``."""

    name = "WxH"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, int]:
        """Two counts; anything else is a malformed option."""
        if isinstance(value, tuple):
            return value
        match = re.fullmatch(r"(\d+)\s*[x×]\s*(\d+)", value)
        if match is None:
            self.fail(f"'{value}' is not squares across and down such as 10x7", param, ctx)
        return int(match[1]), int(match[2])


class BoardName(click.ParamType):
    """A printed board, ``10x7`` squares or ``kind:7x7``."""

    name = "[kind:]WxH"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """The board as it is asked for; a kind or counts that are none are a malformed option."""
        match = re.fullmatch(r"(?:([a-z-]+)\s*:)?\s*(\d{1,3})\s*[x×]\s*(\d{1,3})", str(value).strip().lower())
        kinds = ("squares", "markers", "circles", "asymmetric-circles")
        if match is None or match[1] not in (None, *kinds):
            known = ", ".join(f"{kind}:7x9" for kind in kinds[1:])
            self.fail(f"'{value}' is not squares across and down such as 10x7, nor one of {known}", param, ctx)
        counts = f"{match[2]}x{match[3]}"
        return counts if match[1] is None else f"{match[1]}:{counts}"


LENGTH = Length()
BOARD = BoardName()
SQUARES = Squares()
PIXELS = Pixels()
TARGET = Target()
FIXED = Fixed()
WALL = WallName()
CUT = CutPlace()
SHAVE = CutPlace(numbered=False)
FIX_READING = FixReading()
RECORD = Record()
STATED = Stated()
CLOCK = Clock()
PAIR = Places(2, "low,high")
VOLUME = Volume()
REGION = Places(4, "x0,y0,x1,y1")
POINT = FilePlaces(3, "x,y,z")
BOX = FilePlaces(6, "x0,y0,z0,x1,y1,z1")
PLACE = Places(2, "x,y")
WARP = Places(2, "size,length")
