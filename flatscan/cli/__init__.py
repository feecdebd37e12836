"""The command line: parse, call, print. A command is imported when it is asked for."""

from __future__ import annotations

import importlib
import os
import sys

import click

STOPPED = 130
# each command: the module that holds it, under its own name with _ for -, and what it is for
COMMANDS = {
    "survey": ("one_wall", "Before quoting: what the wall is, build-up, coats, material, hacking, price, stop signs."),
    "check": ("one_wall", "Does it conform: flatness (and plumb) against a limit, with its uncertainty."),
    "setout": ("one_wall", "Screed lines, packing at each dot, nib list."),
    "lows": ("one_wall", "After ruling off: what to fill or shave, where, how deep, how many litres."),
    "site": ("site", "Many walls, resumable, one summary."),
    "compare": ("compare", "Two surveys of one wall: thickness really applied, change, who disagrees where."),
    "line": ("from_photos", "Straightness along photographed laser lines."),
    "calibrate": ("from_photos", "A lens from photos of a printed board."),
    "form": ("forms", "A blank survey form to print, with its CSV template."),
    "targets": ("forms", "Printable photo targets and calibration boards."),
    "plan-readings": ("forms", "Where the next laser readings help a scan most."),
    "evidence": ("sealed", "A sealed file another party can rerun."),
    "recheck": ("sealed", "Verify a sealed file, rerun it, and compare every number."),
    "desk": ("desk", "The whole job on a page in the browser."),
    "tolerances": ("reference", "The tolerance entries: length, limit, method, source, how sure."),
    "methods": ("reference", "How it computes and decides, with sources."),
    "rates": ("reference", "A price list to fill in."),
    "completion": ("reference", "What a shell needs to complete commands and options on the tab key."),
    "demo": ("demo", "The main job on the bundled samples."),
}


class LazyGroup(click.Group):
    """A group that lists its commands without importing them, so that help comes at once."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of all commands, in the order of the job."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"flatscan.cli.{COMMANDS[cmd_name][0]}")
        command: click.Command = getattr(module, cmd_name.replace("-", "_"))
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List names and short help from the table above."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, words) for name, (_, words) in COMMANDS.items()])


def _show_version(ctx: click.Context, _param: click.Parameter, asked: bool) -> None:
    if asked and not ctx.resilient_parsing:
        from flatscan.cli.reference import version_text

        click.echo(version_text())
        ctx.exit()


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_show_version,
    help="Show the version, and those of what it computes with.",
)
def group() -> None:
    """How far a wall is from flat and plumb, what it takes to make it so, and what can be proven afterwards.

    Give it a phone or scanner point cloud, or a table of laser readings. Example:

    \b
    flatscan survey wall.ply
    flatscan check wall.ply --rule 1.8m --limit 3mm --capture-type scanner
    """  # noqa: D301


def main(args: list[str] | None = None) -> None:
    """Run the command line; every failure the user can act on ends in one message and the exit code it has."""
    code = run(args)
    if code == STOPPED:
        # Ctrl-C while a module was loading leaves Python a mark by which it would end by the signal, not with this code
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)
    sys.exit(code)


def run(args: list[str] | None = None) -> int:
    """Exit code of one command line: 0 done, 1 could not, 2 wrong options, 130 stopped; check adds 3 and 4."""
    from flatscan.core.errors import FlatscanError

    # what an error has to know of the options: --units puts itself in here
    asked = {"units": "mm"}
    for stream in (sys.stdout, sys.stderr):
        # a console that lacks a sign prints a question mark rather than dying on it
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        result = group.main(args=args, prog_name="flatscan", standalone_mode=False, obj=asked)
        return result if isinstance(result, int) else 0
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except click.ClickException as wrong:
        wrong.show()
        return 2 if isinstance(wrong, click.UsageError) else 1
    except (click.Abort, KeyboardInterrupt):
        click.echo("flatscan: stopped; nothing half-written was left behind.", err=True)
        return STOPPED
    except FlatscanError as trouble:
        from flatscan.core.phrase import command_line

        click.echo(f"flatscan: {trouble.text(command_line(asked['units']))}", err=True)
        return 1
    except BrokenPipeError:
        # the reader of the pipe has gone: not an error of ours, and Python must not complain while closing
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except MemoryError:
        click.echo(
            "flatscan: this machine's memory is full; needed: room for the cells of this wall. "
            "Choose a larger --cell or a smaller --region.",
            err=True,
        )
        return 1
