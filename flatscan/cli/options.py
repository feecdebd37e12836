"""Every option that commands share, each defined once.

What the job's plan may say (`PLAN`, all of them with --plan and --keep in `plan_options`; those that say how a capture
is read, with more of the kind, in `capture_options`). What is planned and priced beyond it (`finish_options`,
`quote_options`). What every command takes (`output`): --out --json --units --quiet --overwrite. What else is written
(`sheet_options`). Help shows them in groups (`Grouped`).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from flatscan.cli.kinds import (
    BOX,
    CLOCK,
    CUT,
    FIX_READING,
    FIXED,
    LENGTH,
    PAIR,
    PIXELS,
    PLACE,
    POINT,
    RECORD,
    REGION,
    SHAVE,
    STATED,
    TARGET,
    VOLUME,
    WALL,
    WARP,
    Length,
)
from flatscan.core.choices import (
    ANSWERS,
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

Command = Callable[..., Any]


def _stack(*options: Command) -> Command:
    """One decorator out of several, in the order in which help shows them."""

    def decorate(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


captures = click.argument("captures", nargs=-1, required=True, type=click.Path())

# every key of a plan that an option stands for, by the name of its field in `JobPlan`: what one means is said here
# once, and each command that works by a plan takes all of them
PLAN: dict[str, Command] = {
    "stage": click.option("--stage", type=click.Choice(STAGES), help="How far the job is.  [default: the command's]"),
    "start": click.option("--start", type=CLOCK, help="When work starts, such as 7:30: clock times on the day sheet."),
    "job": click.option("--record", "job", type=RECORD, multiple=True, help="Of the job, as client=NAME: see [job]."),
    "statement": click.option("--statement", type=STATED, multiple=True, help="What somebody states: text|by|date."),
    "confirm": click.option(
        "--confirm", type=click.Choice(ANSWERS), multiple=True, help="Answer to what compare asks."
    ),
    "rule": click.option("--rule", type=LENGTH, help="Length of the straightedge.  [default: 1.8m]"),
    "limit": click.option("--limit", type=LENGTH, help="Largest gap allowed under the rule."),
    "plumb_limit": click.option("--plumb-limit", type=LENGTH, help="Largest lean allowed over the wall's height."),
    "tolerance": click.option("--tolerance", multiple=True, help="A published tolerance by its ID instead of a limit."),
    "method": click.option("--method", type=click.Choice(METHODS), help="Of --limit.  [default: resting and balanced]"),
    "accept_source": click.option(
        "--accept-source", is_flag=True, help="Decide by a tolerance that is quoted from memory, on your word."
    ),
    "system": click.option("--system", help="Material system: a name, or your own TOML file."),
    "least": click.option("--least", type=LENGTH, help="Least cover.  [default: 5mm]"),
    "most": click.option("--most", type=LENGTH, help="Most thickness; without it only the wall decides."),
    "finish": click.option("--finish", type=Length(none=True), help="The last coat, or 0.  [default: the system's]"),
    "strip": click.option("--strip", type=LENGTH, help="Thickness of screed strips.  [default: dots]"),
    "cut": click.option("--cut", type=CUT, multiple=True, help="A hump to cut: its number, or as 0.7,1.75,6mm."),
    "shave": click.option("--shave", type=SHAVE, multiple=True, help="A ridge to shave off, as 0.7,1.75,2mm."),
    "surface": click.option("--surface", type=click.Choice(SURFACES), help="What was surveyed."),
    "seen": click.option(
        "--seen", type=click.Choice(SIGNS), multiple=True, help="A sign seen on site that stops the job."
    ),
    "mix": click.option("--mix", help="Sand to one of cement in what is mixed on site, such as 1:4."),
    "laser": click.option("--laser", type=LENGTH, help="How far a plumb laser plane stands off the wall's foot."),
    "fix": click.option("--fix", type=FIXED, multiple=True, help="A point the face goes through: 0.8m,1m,12mm."),
    "fix_reading": click.option(
        "--fix-reading", type=FIX_READING, multiple=True, help="One in the laser's readings: 0.8m,1m,98mm."
    ),
    "lean_up_to": click.option("--lean-up-to", type=float, metavar="MM_PER_M", help="Let the face lean that much."),
    "turn_up_to": click.option("--turn-up-to", type=float, metavar="MM_PER_M", help="Let the face turn that much."),
    "parallel_to": click.option("--parallel-to", type=int, metavar="WALL", help="Face parallel to another wall."),
    "square_to": click.option("--square-to", type=int, metavar="WALL", help="Face square to another wall."),
    "rates": click.option("--rates", type=click.Path(), help="Your own rates (TOML): quote lines and price."),
    "wall": click.option(
        "--wall", type=WALL, default="1", show_default=True, help="Which of the walls found; 1a: one level."
    ),
    "up": click.option("--up", type=click.Choice(tuple(AXES)), help="File axis that points up."),
    "seen_from": click.option("--seen-from", type=POINT, help="A point x,y,z on the room side, in the file's numbers."),
    "file_unit": click.option("--file-unit", type=click.Choice(LENGTH_UNITS), help="Unit of the file's coordinates."),
    "width": click.option("--width", type=LENGTH, help="Taped width, to check the scale."),
    "height": click.option("--height", type=LENGTH, help="Taped height, to check the scale."),
    "no_opening": click.option("--no-opening", type=int, multiple=True, help="Number of a found opening to undo."),
    "crop": click.option("--crop", type=BOX, help="Only the points between two corners, in the file's own numbers."),
    "region": click.option("--region", type=REGION, help="Measure only x0,y0,x1,y1 of the wall."),
    "opening": click.option("--opening", type=REGION, multiple=True, help="Add an opening x0,y0,x1,y1."),
    "pocket": click.option("--pocket", type=REGION, multiple=True, help="A chase x0,y0,x1,y1: filled, priced apart."),
    "skip": click.option("--skip", type=REGION, multiple=True, help="A part x0,y0,x1,y1 that is not plastered."),
    "as_wall": click.option("--as-wall", type=PLACE, multiple=True, help="A place x,y on an object that is wall."),
    "not_wall": click.option("--not-wall", type=PLACE, multiple=True, help="A place x,y on what is no wall."),
    "accept": click.option("--accept", type=PLACE, multiple=True, help="A place x,y whose doubted reading is right."),
    "capture_type": click.option(
        "--capture-type", type=click.Choice(CAPTURE_TYPES), help="How it was captured; sets the common ±."
    ),
    "repeat": click.option("--repeat", type=click.Path(), multiple=True, help="Another capture of the same wall."),
    "tie": click.option("--tie", type=click.Path(), help="Laser readings (CSV) on the wall that tie the scan down."),
    "same_wall": click.option(
        "--same-wall", is_flag=True, help="The captures share coordinates and show one wall: one document."
    ),
}
# those of them that say how a capture is read and its wall found
CAPTURE_KEYS = tuple(PLAN)[tuple(PLAN).index("wall") :]

capture_options = _stack(
    *(PLAN[name] for name in CAPTURE_KEYS),
    click.option("--cell", type=LENGTH, help="Cell size; without it 10 to 200 mm by density."),
    click.option("--reading-u", type=LENGTH, help="Standard uncertainty of one laser reading.  [default: 0.6mm]"),
    click.option("--max-points", type=click.IntRange(1), help="Refuse a capture of more.  [default: what fits]"),
    click.option("--warp", type=WARP, help="Size and length of the scan's warp, such as 8mm,2m, if known."),
)

directions_option = click.option("--directions", help="Degrees from horizontal, parted by commas.  [default: every 15]")

# what else a wall is judged by and is no part of the job's plan, in a check and in a check that is sealed
check_options = _stack(
    click.option("--step-limit", type=LENGTH, help="Largest abrupt step allowed."),
    click.option("--corner-limit", type=LENGTH, help="How far a corner may be out of square over 600 mm."),
    click.option("--hand", type=click.Path(), help="Straightedge readings people made (CSV), set beside the scan's."),
    click.option("--confidence", type=float, default=0.95, show_default=True, help="Of the method."),
)

# what is planned and is no part of the job's plan
finish_options = _stack(
    click.option("--hack-most", type=LENGTH, help="Deepest cut.  [default: 10mm]"),
    click.option("--old-plaster", type=PAIR, help="Thickness low,high of old plaster that comes off."),
    click.option("--background", help="What the coats go on, in a word the system knows."),
    click.option("--waste", type=float, metavar="SHARE", help="Waste as a share, such as 0.1."),
)

quote_options = _stack(
    click.option("--area-rule", type=click.Choice(AREA_RULES), help="How openings are measured.  [default: net]"),
    click.option("--clash", type=click.Path(), help="Things on the wall (CSV): what the new face buries."),
    click.option("--light", type=float, metavar="DEGREES", help="Estimate what shows in light at this angle."),
)

# what a list of a site may say for a wall of its own: the plan's keys but for those of the whole job
wall_options = _stack(*(PLAN[name] for name in PLAN if name not in CAPTURE_KEYS), directions_option, capture_options)
plan_file_options = _stack(
    click.option("--plan", type=click.Path(), help="The job's plan.  [default: plan.toml in the job's folder]"),
    click.option("--keep", is_flag=True, help="Write what was given into the plan."),
)
# everything of a plan, which plan it is, and whether it is written back
plan_options = _stack(plan_file_options, wall_options)
more_option = click.option("--more", is_flag=True, help="All of the answer in words, not only its first lines.")

# how help shows the options of a command that works by a plan; the rest stands first, under the command's own
_GROUPS = {
    "The job and its plan": ("plan", "keep", "stage", "start", "job", "statement", "confirm"),
    "The limit": ("rule", "directions", "limit", "plumb_limit", "tolerance", "method", "accept_source"),
    "What is put on": (
        *("system", "least", "most", "finish", "strip", "cut", "shave", "mix", "rates", "hack_most", "surface"),
        *("old_plaster", "background", "waste", "seen", "area_rule", "clash", "light"),
    ),
    "Where the face stands": (
        *("laser", "fix", "fix_reading", "lean_up_to", "turn_up_to"),
        *("parallel_to", "square_to"),
    ),
    "The capture and its wall": (
        *CAPTURE_KEYS,
        *("cell", "reading_u", "max_points", "warp"),
    ),
    "Where the answer goes": (
        *("out", "as_json", "units", "quiet", "overwrite", "more", "explain", "paper", "also"),
        *("overlay_photo", "photo_corners", "photo_target", "target_size"),
    ),
}


class Grouped(click.Command):
    """A command whose help shows its many options by what they are about."""

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The command's own options, then those of each group that it takes."""
        taken = [param for param in self.get_params(ctx) if isinstance(param, click.Option)]
        records = {param.name or "": param.get_help_record(ctx) for param in taken}
        known = {name for names in _GROUPS.values() for name in names}
        own = tuple(name for name in records if name not in known)
        for title, names in {"Options": own, **_GROUPS}.items():
            rows = [row for name in names if (row := records.get(name)) is not None]
            if rows:
                with formatter.section(title):
                    formatter.write_dl(rows)


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


def output(folder: str = "Folder for the sheets.  [default: <capture>-flatscan]") -> Command:
    """What every command takes: where files go, the document, units, no words, and leave to replace.

    ``folder`` is the help of --out.
    """
    return _stack(
        click.option("--out", type=click.Path(), help=folder),
        click.option("--json", "as_json", is_flag=True, help="The document on stdout; files only with --out."),
        units_option,
        click.option("--quiet", is_flag=True, help="No words on standard error but errors."),
        click.option("--overwrite", is_flag=True, help="Also replace files of yours and sheets of another capture."),
    )


output_options = output()

# what is written, wherever it goes
file_options = _stack(
    click.option("--paper", type=click.Choice(PAPERS), default="a4", show_default=True, help="Of the PDF."),
    click.option("--also", type=click.Choice(EXTRA_FILES), multiple=True, help="More files for other programs."),
)
_overlay_points = _stack(
    click.option("--photo-corners", type=PIXELS, help="Wall corners in it, in pixels, from the lower left round."),
    click.option("--photo-target", type=TARGET, multiple=True, help="Printed target number,x,y on the wall."),
    click.option("--target-size", type=LENGTH, help="Side of the targets' black square, as measured on the paper."),
)


def _overlay(*names: str) -> Command:
    laid = "A photo of the wall: the contour is laid over it."
    return _stack(click.option(*names, "overlay_photo", type=click.Path(), help=laid), _overlay_points)


sheet_options = _stack(file_options, _overlay("--overlay-photo", "--photo"))
# where --photo is one to be put in as it is
sealed_sheet_options = _stack(file_options, _overlay("--overlay-photo"))

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
