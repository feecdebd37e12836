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
    "stage": click.option(
        "--stage", type=click.Choice(STAGES), help="How far the job has come.  [default: the command's]"
    ),
    "start": click.option("--start", type=CLOCK, help="When work starts, such as 7:30: clock times on the day sheet."),
    "job": click.option(
        "--record", "job", type=RECORD, multiple=True, help="A fact for the record, such as client=NAME."
    ),
    "statement": click.option(
        "--statement", type=STATED, multiple=True, help="What somebody said, who and when: text|by|date."
    ),
    "confirm": click.option(
        "--confirm", type=click.Choice(ANSWERS), multiple=True, help="Your answer to what compare asked."
    ),
    "rule": click.option("--rule", type=LENGTH, help="Length of the straightedge.  [default: 1.8m]"),
    "limit": click.option("--limit", type=LENGTH, help="Largest gap allowed under the rule."),
    "plumb_limit": click.option("--plumb-limit", type=LENGTH, help="Largest lean allowed over the wall's height."),
    "tolerance": click.option("--tolerance", multiple=True, help="A published tolerance by its ID instead of a limit."),
    "method": click.option(
        "--method",
        type=click.Choice(METHODS),
        help="How the straightedge is read for --limit.  [default: resting and balanced]",
    ),
    "accept_source": click.option(
        "--accept-source", is_flag=True, help="On your word, decide by a tolerance that was not read well enough."
    ),
    "system": click.option("--system", help="Material system: a name, or your own TOML file."),
    "least": click.option("--least", type=LENGTH, help="Least thickness, over the highest point.  [default: 5mm]"),
    "most": click.option("--most", type=LENGTH, help="Most thickness allowed; without it the wall decides."),
    "finish": click.option(
        "--finish", type=Length(none=True), help="Thickness of the last coat, 0 for none.  [default: the system's]"
    ),
    "strip": click.option("--strip", type=LENGTH, help="Thickness of screed strips.  [default: dots]"),
    "cut": click.option(
        "--cut", type=CUT, multiple=True, help="A hump to cut: its number, or from left, up, depth: 0.7,1.75,6mm."
    ),
    "shave": click.option(
        "--shave", type=SHAVE, multiple=True, help="A ridge to shave off: from left, up, depth: 0.7,1.75,2mm."
    ),
    "surface": click.option(
        "--surface", type=click.Choice(SURFACES), help="What was measured: bare wall, or old plaster."
    ),
    "seen": click.option(
        "--seen", type=click.Choice(SIGNS), multiple=True, help="A sign seen on site that stops the job."
    ),
    "mix": click.option("--mix", help="Cement to sand for what is mixed on site, such as 1:4."),
    "laser": click.option(
        "--laser", type=LENGTH, help="How far the upright laser light stands off the wall at its foot."
    ),
    "fix": click.option(
        "--fix", type=FIXED, multiple=True, help="A lining or bead to finish flush with: 0.8m,1m,12mm proud."
    ),
    "fix_reading": click.option(
        "--fix-reading", type=FIX_READING, multiple=True, help="The same by what the laser reads there: 0.8m,1m,98mm."
    ),
    "lean_up_to": click.option("--lean-up-to", type=float, metavar="MM_PER_M", help="How far the new face may lean."),
    "turn_up_to": click.option(
        "--turn-up-to", type=float, metavar="MM_PER_M", help="How far the new face may turn off the wall's line."
    ),
    "parallel_to": click.option(
        "--parallel-to", type=int, metavar="WALL", help="Set the new face parallel to another wall."
    ),
    "square_to": click.option("--square-to", type=int, metavar="WALL", help="Set the new face square to another wall."),
    "rates": click.option("--rates", type=click.Path(), help="Your own prices, a file made with flatscan rates."),
    "wall": click.option(
        "--wall",
        type=WALL,
        default="1",
        show_default=True,
        help="Which wall, by its number; 1a is one level of a stepped wall.",
    ),
    "up": click.option("--up", type=click.Choice(tuple(AXES)), help="Which direction in the file is up."),
    "seen_from": click.option("--seen-from", type=POINT, help="A place x,y,z in the room, in the file's own numbers."),
    "file_unit": click.option("--file-unit", type=click.Choice(LENGTH_UNITS), help="Unit of the numbers in the file."),
    "width": click.option("--width", type=LENGTH, help="Width by tape, to check the sizes in the scan."),
    "height": click.option("--height", type=LENGTH, help="Height by tape, to check the sizes in the scan."),
    "no_opening": click.option(
        "--no-opening", type=int, multiple=True, help="Number of an opening found that is none."
    ),
    "crop": click.option("--crop", type=BOX, help="Use only the points in a box, by two opposite corners."),
    "region": click.option("--region", type=REGION, help="Measure only this part of the wall."),
    "opening": click.option("--opening", type=REGION, multiple=True, help="An opening that was not found."),
    "pocket": click.option("--pocket", type=REGION, multiple=True, help="A chase: filled first, priced by itself."),
    "skip": click.option("--skip", type=REGION, multiple=True, help="A part that is not plastered."),
    "as_wall": click.option(
        "--as-wall", type=PLACE, multiple=True, help="A place on something that is wall after all."
    ),
    "not_wall": click.option("--not-wall", type=PLACE, multiple=True, help="A place on something that is not wall."),
    "accept": click.option("--accept", type=PLACE, multiple=True, help="A place whose doubted reading is right."),
    "capture_type": click.option(
        "--capture-type", type=click.Choice(CAPTURE_TYPES), help="How it was measured; most of the ± comes from that."
    ),
    "repeat": click.option(
        "--repeat", type=click.Path(), multiple=True, help="Another scan of the same wall, made anew."
    ),
    "tie": click.option("--tie", type=click.Path(), help="Laser readings (CSV) that put the scan right."),
    "same_wall": click.option(
        "--same-wall", is_flag=True, help="All files show one wall, placed alike: measure them as one."
    ),
}
# those of them that say how a capture is read and its wall found
CAPTURE_KEYS = tuple(PLAN)[tuple(PLAN).index("wall") :]

capture_options = _stack(
    *(PLAN[name] for name in CAPTURE_KEYS),
    click.option(
        "--cell",
        type=LENGTH,
        help="Size of the squares the wall is measured in.  [default: as fine as the points allow]",
    ),
    click.option("--reading-u", type=LENGTH, help="One reading is off by less, two times in three.  [default: 0.6mm]"),
    click.option("--max-points", type=click.IntRange(1), help="Refuse a file with more points.  [default: what fits]"),
    click.option("--warp", type=WARP, help="How far the scan itself is bent, over what length: 8mm,2m."),
)

directions_option = click.option(
    "--directions", help="Ways to lay the straightedge, in degrees from level.  [default: every 15]"
)

# what else a wall is judged by and is no part of the job's plan, in a check and in a check that is sealed
check_options = _stack(
    click.option("--step-limit", type=LENGTH, help="Largest sudden step allowed."),
    click.option("--corner-limit", type=LENGTH, help="How far a corner may be out of square over 600 mm."),
    click.option("--hand", type=click.Path(), help="Your own straightedge readings (CSV), beside the scan's."),
    click.option("--confidence", type=float, default=0.95, show_default=True, help="How sure a decision has to be."),
)

# what is planned and is no part of the job's plan
finish_options = _stack(
    click.option("--hack-most", type=LENGTH, help="Deepest cut allowed.  [default: 10mm]"),
    click.option("--old-plaster", type=PAIR, help="Least and most thickness of old plaster that comes off."),
    click.option("--background", help="What the coats go on: brick, block and so on."),
    click.option("--waste", type=float, metavar="SHARE", help="Waste to add: 0.1 is a tenth."),
)

quote_options = _stack(
    click.option(
        "--area-rule",
        type=click.Choice(AREA_RULES),
        help="How much of the openings is taken off the area.  [default: net]",
    ),
    click.option("--clash", type=click.Path(), help="Sockets and linings (CSV): what the new face buries."),
    click.option(
        "--light", type=float, metavar="DEGREES", help="How much would show in light that falls at this angle."
    ),
)

# what a list of a site may say for a wall of its own: the plan's keys but for those of the whole job
wall_options = _stack(*(PLAN[name] for name in PLAN if name not in CAPTURE_KEYS), directions_option, capture_options)
plan_file_options = _stack(
    click.option("--plan", type=click.Path(), help="The job's plan.  [default: plan.toml in the job's folder]"),
    click.option("--keep", is_flag=True, help="Keep what was given: write it into the plan."),
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
    click.option("--same-frame", is_flag=True, help="Both files place the wall alike and need no lining up."),
    click.option("--reference", type=REGION, multiple=True, help="A part of the wall nobody worked on."),
    click.option("--reference-wall", type=int, multiple=True, help="Another wall of EARLIER nobody worked on."),
    click.option("--points", type=click.Path(), help="Fixed points in both (CSV: earlier_x_m ... later_z_m)."),
    click.option("--points-u", type=LENGTH, help="One fixed point is off by less, two times in three.  [default: 1mm]"),
    click.option("--align-u", type=LENGTH, help="The two files meet as well, two times in three.  [default: 1mm]"),
    click.option("--same-surface", is_flag=True, help="Two surveys of one unchanged surface: do they agree?"),
    click.option("--quoted", type=VOLUME, help="Volume quoted, such as 120l."),
    click.option("--used", type=VOLUME, help="Volume used."),
    click.option("--background-tolerance", help="Tolerance, by its ID, to judge the earlier surface by."),
    click.option("--allowance", type=LENGTH, help="Thickness that the price includes; more is counted."),
    click.option("--earlier-wall", type=WALL, help="Wall number in EARLIER, if not --wall."),
    click.option("--earlier-tie", type=click.Path(), help="Laser readings that put EARLIER right."),
    click.option("--earlier-type", type=click.Choice(CAPTURE_TYPES), help="How EARLIER was measured, if another way."),
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
    help="Sizes in words and on sheets.",
)


def output(folder: str = "Folder for the sheets.  [default: <capture>-flatscan]") -> Command:
    """What every command takes: where files go, the document, units, no words, and leave to replace.

    ``folder`` is the help of --out.
    """
    return _stack(
        click.option("--out", type=click.Path(), help=folder),
        click.option("--json", "as_json", is_flag=True, help="Print the result as JSON; files only with --out."),
        units_option,
        click.option("--quiet", is_flag=True, help="Say nothing but errors."),
        click.option("--overwrite", is_flag=True, help="Also replace files of yours and sheets of another capture."),
    )


output_options = output()

# what is written, wherever it goes
file_options = _stack(
    click.option("--paper", type=click.Choice(PAPERS), default="a4", show_default=True, help="Paper of the PDF."),
    click.option("--also", type=click.Choice(EXTRA_FILES), multiple=True, help="More files for other programs."),
)
_overlay_points = _stack(
    click.option(
        "--photo-corners", type=PIXELS, help="The wall's corners in it, in pixels, round from the lower left."
    ),
    click.option(
        "--photo-target",
        type=TARGET,
        multiple=True,
        help="A printed target in it: its number and its place on the wall.",
    ),
    click.option("--target-size", type=LENGTH, help="Side of the targets' black square, as measured on the paper."),
)


def _overlay(*names: str) -> Command:
    laid = "A photo of the wall: the drawing is laid over it."
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
