"""Option values with a unit or a shape of their own."""

from __future__ import annotations

import re
from typing import Any

import click


class Length(click.ParamType[float]):
    """A length with its unit, as metres."""

    name = "length"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Metres; a text that is no length is a malformed option."""
        if isinstance(value, float):
            return value
        from flatscan.core.errors import BadValue
        from flatscan.core.typed import parse_length

        try:
            return parse_length(value, where=param.name if param and param.name else "length")
        except BadValue as wrong:
            self.fail(f"{wrong.found}; needed: {wrong.needed}.", param, ctx)


class Volume(click.ParamType[float]):
    """A volume in litres (``120`` or ``120l``) or cubic metres (``0.12m3``), as cubic metres."""

    name = "volume"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Cubic metres; a text that is no volume is a malformed option."""
        if isinstance(value, float):
            return value
        text = str(value).strip().lower().replace("³", "3")
        scale = 1.0 if text.endswith("m3") else 1e-3
        try:
            number = float(text.removesuffix("m3").removesuffix("litres").removesuffix("l"))
        except ValueError:
            self.fail(f"'{value}' is not a volume; needed: litres such as 120l, or 0.12m3.", param, ctx)
        if not 0 <= number < 1e9:
            self.fail(f"'{value}' is not a volume from 0 up.", param, ctx)
        return number * scale


class Places(click.ParamType[tuple[float, ...]]):
    """So many lengths behind each other, parted by commas, such as ``0.2m,0.1m,1.3m,2m``; metres if bare."""

    def __init__(self, number: int, shape: str) -> None:
        self.number, self.name = number, shape

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, ...]:
        """Metres; another number of parts, or a part that is no length, is a malformed option."""
        if isinstance(value, tuple):
            return value
        from flatscan.core.errors import BadValue
        from flatscan.core.typed import parse_length

        parts = value.split(",")
        if len(parts) != self.number:
            self.fail(f"'{value}' has {len(parts)} parts, needed {self.number}: {self.name}.", param, ctx)
        try:
            return tuple(parse_length(part, unit="m") for part in parts)
        except BadValue as wrong:
            self.fail(f"{wrong.found}; needed: {self.name}.", param, ctx)


class Fixed(click.ParamType[tuple[Any, ...]]):
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


class Pixels(click.ParamType[tuple[tuple[float, float], ...]]):
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


class Target(click.ParamType[tuple[int, float, float]]):
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


class Squares(click.ParamType[tuple[int, int]]):
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


LENGTH = Length()
SQUARES = Squares()
PIXELS = Pixels()
TARGET = Target()
FIXED = Fixed()
PAIR = Places(2, "low,high")
VOLUME = Volume()
REGION = Places(4, "x0,y0,x1,y1")
POINT = Places(3, "x,y,z")
WARP = Places(2, "size,length")
