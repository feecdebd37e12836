"""Every option that commands share, each defined once.

How a capture is read and its wall found (`capture_options`): --wall --cell --up --seen-from --file-unit --crop
--width --height --region --opening --no-opening --as-wall --not-wall --capture-type --repeat --same-wall --tie --warp
--reading-u. How it is tested (`rule_options`): --rule --directions, and by a limit (`method_option`): --method.
What is planned on it (`finish_options`): --least --most --system --fix
--lean-up-to --turn-up-to --hack-most --parallel-to --square-to --surface --old-plaster --background --waste --seen.
What is priced on it (`quote_options`): --rates --area-rule --clash --light. Where the answer goes
(`output_options`): --out --json --units --quiet --overwrite. What else is written
(`sheet_options`): --paper --also --photo --photo-corners --photo-target --target-size.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import click

from flatscan.core.choices import (
    AREA_RULES,
    AXES,
    CAPTURE_TYPES,
    EXTRA_FILES,
    LENGTH_UNITS,
    METHODS,
    PAPERS,
    SHEET_UNITS,
    SIGNS,
    STAGES,
    SURFACES,
)


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


class Volume(click.ParamType):
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


class Places(click.ParamType):
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
    """A hump that is cut: ``H1``, its number in the plan without cuts, or ``x,y,depth``, the depth with its unit."""

    name = "H1 or x,y,depth"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number as it is, or a `Cut` in metres; anything else is a malformed option."""
        from flatscan.plan.cutting import Cut

        if isinstance(value, Cut) or re.fullmatch(r"[Hh][0-9]{1,4}", str(value).strip()):
            return value if isinstance(value, Cut) else str(value).strip().upper()
        x, y, _ = Places(3, self.name).convert(value, param, ctx)
        # a place is in bare metres, but a depth of 5 is hardly one of 5 m
        return Cut(x, y, Length().convert(str(value).split(",")[2].strip(), param, ctx))


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


LENGTH = Length()
SQUARES = Squares()
PIXELS = Pixels()
TARGET = Target()
FIXED = Fixed()
WALL = WallName()
CUT = CutPlace()
CLOCK = Clock()
PAIR = Places(2, "low,high")
VOLUME = Volume()
REGION = Places(4, "x0,y0,x1,y1")
POINT = FilePlaces(3, "x,y,z")
BOX = FilePlaces(6, "x0,y0,z0,x1,y1,z1")
PLACE = Places(2, "x,y")
WARP = Places(2, "size,length")


Command = Callable[..., Any]


def _stack(*options: Command) -> Command:
    """One decorator out of several, in the order in which help shows them."""

    def decorate(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


captures = click.argument("captures", nargs=-1, required=True, type=click.Path())

capture_options = _stack(
    click.option("--wall", type=WALL, default="1", show_default=True, help="Which of the walls found; 1a: one level."),
    click.option("--cell", type=LENGTH, help="Cell size; without it 10 to 200 mm by density."),
    click.option("--up", type=click.Choice(tuple(AXES)), help="File axis that points up."),
    click.option("--seen-from", type=POINT, help="A point x,y,z on the room side, in the file's own numbers."),
    click.option("--file-unit", type=click.Choice(LENGTH_UNITS), help="Unit of the file's coordinates."),
    click.option("--crop", type=BOX, help="Only the points between two corners, in the file's own numbers."),
    click.option("--width", type=LENGTH, help="Taped width, to check the scale."),
    click.option("--height", type=LENGTH, help="Taped height, to check the scale."),
    click.option("--region", type=REGION, help="Measure only x0,y0,x1,y1 of the wall."),
    click.option("--opening", type=REGION, multiple=True, help="Add an opening x0,y0,x1,y1."),
    click.option("--no-opening", type=int, multiple=True, help="Number of a found opening to undo."),
    click.option("--as-wall", type=PLACE, multiple=True, help="A place x,y on an object that is wall after all."),
    click.option("--not-wall", type=PLACE, multiple=True, help="A place x,y on a doubtful object that is no wall."),
    click.option("--capture-type", type=click.Choice(CAPTURE_TYPES), help="How it was captured; sets the common ±."),
    click.option("--repeat", type=click.Path(), multiple=True, help="Another capture of the same wall."),
    click.option("--reading-u", type=LENGTH, help="Standard uncertainty of one laser reading.  [default: 0.6mm]"),
    click.option("--max-points", type=click.IntRange(1), help="Refuse a capture of more.  [default: what fits]"),
    click.option("--tie", type=click.Path(), help="Laser readings (CSV) on the same wall that tie the scan down."),
    click.option("--pocket", type=REGION, multiple=True, help="A chase x0,y0,x1,y1: filled first, priced apart."),
    click.option("--skip", type=REGION, multiple=True, help="A part x0,y0,x1,y1 that is not to be plastered."),
    click.option("--accept", type=PLACE, multiple=True, help="A place x,y whose doubted reading is right."),
    click.option("--same-wall", is_flag=True, help="The captures share coordinates and show one wall: one document."),
    click.option("--warp", type=WARP, help="Size and length of the scan's warp, such as 8mm,2m, if known."),
)

rule_options = _stack(
    click.option("--rule", type=LENGTH, help="Length of the straightedge.  [default: 1.8m]"),
    click.option("--directions", help="Degrees from horizontal, parted by commas.  [default: every 15]"),
)

# how the straightedge of a limit is read, for every command that can judge by one
method_option = click.option(
    "--method", type=click.Choice(METHODS), help="Of --limit.  [default: resting and balanced]"
)

finish_options = _stack(
    click.option("--least", type=LENGTH, help="Least cover.  [default: 5mm]"),
    click.option("--most", type=LENGTH, help="Most thickness; without it only the wall decides."),
    click.option("--system", help="Material system: a name, or your own TOML file."),
    click.option("--finish", type=Length(none=True), help="Thickness of the last coat, or 0.  [default: the system's]"),
    click.option("--strip", type=LENGTH, help="Thickness of screed strips.  [default: dots]"),
    click.option("--cut", type=CUT, multiple=True, help="A hump to cut: its number, or x,y,depth as 0.7,1.75,6mm."),
    click.option("--laser", type=LENGTH, help="How far a plumb laser plane stands off the wall's foot."),
    click.option("--fix", type=FIXED, multiple=True, help="A point the face goes through, such as 0.8m,1m,12mm."),
    click.option("--lean-up-to", type=float, metavar="MM_PER_M", help="Let the face lean so many mm per m."),
    click.option("--turn-up-to", type=float, metavar="MM_PER_M", help="Let the face turn so many mm per m."),
    click.option("--hack-most", type=LENGTH, help="Deepest cut.  [default: 10mm]"),
    click.option("--parallel-to", type=int, metavar="WALL", help="Face parallel to another wall of the capture."),
    click.option("--square-to", type=int, metavar="WALL", help="Face square to another wall of the capture."),
    click.option("--surface", type=click.Choice(SURFACES), help="What was surveyed."),
    click.option("--old-plaster", type=PAIR, help="Thickness low,high of old plaster that comes off."),
    click.option("--background", help="What the coats go on, in a word the system knows."),
    click.option("--waste", type=float, metavar="SHARE", help="Waste as a share, such as 0.1."),
    click.option("--mix", help="Sand to one of cement in what is mixed on site, such as 1:4."),
    click.option("--seen", type=click.Choice(SIGNS), multiple=True, help="A sign seen on site that stops the job."),
)

quote_options = _stack(
    click.option("--rates", type=click.Path(), help="Your own rates (TOML): quote lines and price."),
    click.option("--area-rule", type=click.Choice(AREA_RULES), help="How openings are measured.  [default: net]"),
    click.option("--clash", type=click.Path(), help="Things on the wall (CSV): what the new face buries."),
    click.option("--light", type=float, metavar="DEGREES", help="Estimate what shows in light at this angle."),
)

# the plan of the job, and how much of the answer is shown
plan_option = _stack(
    click.option("--plan", type=click.Path(), help="The job's plan.  [default: plan.toml in the job's folder]"),
    click.option("--stage", type=click.Choice(STAGES), help="How far the job is.  [default: the command's own]"),
)
plan_options = _stack(
    plan_option,
    click.option("--keep", is_flag=True, help="Write what was given into the plan."),
    click.option("--start", type=CLOCK, help="When work starts, such as 7:30: clock times on the day sheet."),
    click.option("--more", is_flag=True, help="All of the answer in words, not only its first lines."),
)

# what ties two surveys of a wall together, and what is asked of their difference
compare_options = _stack(
    click.option("--same-frame", is_flag=True, help="Both files share one coordinate system."),
    click.option("--reference", type=REGION, multiple=True, help="A part x0,y0,x1,y1 of the wall nobody worked on."),
    click.option("--reference-wall", type=int, multiple=True, help="Another wall of EARLIER nobody worked on."),
    click.option("--points", type=click.Path(), help="Fixed points in both: CSV of earlier_x_m ... later_z_m."),
    click.option("--points-u", type=LENGTH, help="Standard uncertainty of one fixed point.  [default: 1mm]"),
    click.option("--align-u", type=LENGTH, help="How well the two coordinate systems meet (k = 1).  [default: 1mm]"),
    click.option("--same-surface", is_flag=True, help="Two surveys of one unchanged surface: do they agree?"),
    click.option("--quoted", type=VOLUME, help="Volume quoted, such as 120l."),
    click.option("--used", type=VOLUME, help="Volume used."),
    click.option("--background-tolerance", help="Tolerance ID the earlier surface is judged by."),
    click.option("--allowance", type=LENGTH, help="Thickness the price holds; what is beyond it is counted."),
    click.option("--earlier-wall", type=WALL, help="Wall number in EARLIER, if not --wall."),
    click.option("--earlier-tie", type=click.Path(), help="Laser readings that tie EARLIER down."),
    click.option("--earlier-type", type=click.Choice(CAPTURE_TYPES), help="Capture type of EARLIER, if another."),
)


def _remember_units(ctx: click.Context, _param: click.Parameter, value: str) -> str:
    """Keep the units where errors of the whole command line find them."""
    if isinstance(ctx.obj, dict):
        ctx.obj["units"] = value
    return value


units_option = click.option(
    "--units",
    type=click.Choice(SHEET_UNITS),
    default="mm",
    show_default=True,
    is_eager=True,
    callback=_remember_units,
    help="Of all words and sheets.",
)
output_options = _stack(
    click.option("--out", type=click.Path(), help="Folder for the sheets.  [default: <capture>-flatscan]"),
    click.option("--json", "as_json", is_flag=True, help="Result document on stdout; sheets only with --out."),
    units_option,
    click.option("--quiet", is_flag=True, help="No words on standard error but errors."),
    click.option("--overwrite", is_flag=True, help="Also replace files of yours and sheets of another capture."),
)

sheet_options = _stack(
    click.option("--paper", type=click.Choice(PAPERS), default="a4", show_default=True, help="Of the PDF."),
    click.option("--also", type=click.Choice(EXTRA_FILES), multiple=True, help="More files for other programs."),
    click.option("--photo", type=click.Path(), help="A photo of the wall: the contour is laid over it."),
    click.option("--photo-corners", type=PIXELS, help="Wall corners in it, in pixels, from the lower left round."),
    click.option("--photo-target", type=TARGET, multiple=True, help="Printed target number,x,y on the wall."),
    click.option("--target-size", type=LENGTH, help="Side of the targets' black square, as measured on the paper."),
)

# the same numbers in plain words, for the commands whose answer somebody else has to understand
explain_option = click.option("--explain", is_flag=True, help="Add plain words for client, foreman and adjudicator.")


def degrees(text: str | None) -> tuple[float, ...] | None:
    """Directions out of ``0,45,90``; anything else is a malformed option."""
    if text is None:
        return None
    try:
        return tuple(float(part) for part in text.split(","))
    except ValueError:
        hint = f"'{text}' is not a list of degrees such as 0,45,90"
        raise click.BadParameter(hint, param_hint="--directions") from None


def numbers(text: str, option: str) -> tuple[int, ...]:
    """Wall numbers out of ``1,2,3``; anything else is a malformed option."""
    try:
        return tuple(int(part) for part in text.split(","))
    except ValueError:
        raise click.BadParameter(f"'{text}' is not a list of numbers such as 1,2", param_hint=option) from None
