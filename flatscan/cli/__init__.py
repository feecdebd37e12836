"""The command line: parse, call, print. A command is imported when it is asked for."""

from __future__ import annotations

import importlib
import os
import signal
import sys
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from flatscan.core.errors import FlatscanError

STOPPED = 130
# each command: the module that holds it, under its own name with _ for -, and what it is for
COMMANDS = {
    "survey": ("one_wall", "Before quoting: how far out the wall is, what goes on it, what to hack, what it costs."),
    "check": ("one_wall", "Is it flat (and plumb) to a limit, and how sure is that."),
    "setout": ("one_wall", "Where the screeds stand, and the packing at each dot."),
    "lows": ("one_wall", "After ruling off: what to fill or shave, where, how deep, how many litres."),
    "site": ("site", "Many walls, one summary; stopped, it goes on where it was."),
    "compare": ("compare", "Two surveys of one wall: what was put on, what changed, where two parties disagree."),
    "line": ("from_photos", "How straight a wall is along laser lines in photos."),
    "calibrate": ("from_photos", "Measure a camera's lens with photos of a printed board."),
    "form": ("forms", "A blank form to print, and the table to type the readings into."),
    "targets": ("forms", "Targets to print and hang for photos, and boards for the lens."),
    "plan-readings": ("forms", "Where the next laser readings help a scan most."),
    "evidence": ("sealed", "One sealed file that another party can check and run again."),
    "recheck": ("sealed", "Check a sealed file: run it again and compare every number."),
    "desk": ("desk", "The whole job on a page in the browser."),
    "tolerances": ("reference", "Published limits: how far out, under what length, from where."),
    "methods": ("reference", "How it measures and decides, with sources; methods words explains the words."),
    "rates": ("reference", "A price list to fill in."),
    "doctor": ("doctor", "What works on this machine, and what to install for the rest."),
    "completion": ("reference", "Let the tab key complete commands and options."),
    "demo": ("demo", "The main job on the samples that come with it."),
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


class Ended(KeyboardInterrupt):
    """The system asks the program to end: what is half made goes, as at Ctrl-C."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self.number = number


def _end(number: int, _frame: object) -> None:
    raise Ended(number)


def _end_in_order() -> None:
    """Let a request to end, and a terminal that was closed, undo what is half made instead of leaving it."""
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        # what was started to outlive its terminal does
        if number is not None and signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, _end)


def main(args: list[str] | None = None) -> None:
    """Run the command line; every failure the user can act on ends in one message and the exit code it has."""
    _end_in_order()
    # systems solved here are small: a second thread of the linear algebra mostly waits for work, in a loop, and on a
    # machine that is busy costs several times what it gains
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    code = run(args)
    if code >= STOPPED - signal.SIGINT:
        # Ctrl-C while a module was loading leaves Python a mark by which it would end by the signal, not with this code
        for stream in (sys.stdout, sys.stderr):
            with suppress(OSError, AttributeError):
                stream.flush()
        os._exit(code)
    sys.exit(code)


def run(args: list[str] | None = None) -> int:
    """Exit code of one command line: 0 done, 1 could not, 2 wrong options, 130 stopped; check adds 3 and 4."""
    from flatscan.core.errors import FlatscanError

    # what an error has to know of the options: --units puts itself in here
    asked: dict[str, Any] = {"units": "mm", "words": sys.argv[1:] if args is None else args}
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
        with suppress(OSError):
            wrong.show()
        return 2 if isinstance(wrong, click.UsageError) else 1
    except (click.Abort, KeyboardInterrupt) as stop:
        ended = stop.__cause__ if isinstance(stop, click.Abort) else stop
        _say("stopped; nothing half-written was left behind.")
        return 128 + ended.number if isinstance(ended, Ended) else STOPPED
    except FlatscanError as trouble:
        return _failed(trouble, asked)
    except OSError as reason:
        # files have errors of their own: what is left is the help or the version that cannot be shown
        from flatscan.cli.speaking import cannot_say

        return _failed(cannot_say(reason), asked)
    except MemoryError:
        _say(
            "this machine's memory is full; needed: room for the cells of this wall. "
            "Choose a larger --cell or a smaller --region."
        )
        return 1


def _failed(error: FlatscanError, asked: dict[str, Any]) -> int:
    from flatscan.cli.speaking import trouble

    trouble(error, asked)
    return 1


def _say(text: str) -> None:
    from flatscan.cli.speaking import words

    words(f"flatscan: {text}")
