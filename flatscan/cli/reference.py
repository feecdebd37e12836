"""What the tool itself holds: tolerance entries, methods, its version and what it computes with, completion."""

from __future__ import annotations

import platform
import sys
from importlib import metadata

import click
from click.shell_completion import get_completion_class

from flatscan import __version__
from flatscan.cli import options

# in the order of how much of a result depends on them; names as the package index knows them
COMPUTES_WITH = (
    "numpy",
    "scipy",
    "numba",
    "open3d",
    "opencv-python",
    "matplotlib",
    "laspy",
    "lazrs",
    "pye57",
    "ezdxf",
    "distributed",
)


@click.command("tolerances")
@click.argument("words", nargs=-1)
@click.option("--json", "as_json", is_flag=True, help="The entries on stdout as JSON.")
@options.units_option
def tolerances(words: tuple[str, ...], *, as_json: bool, units: str) -> int:
    """The tolerance entries: length, limit, method, source, how sure. WORDS narrow the list.

    Entries tagged "from memory" give numbers but no decision. The contract's document and edition govern.

    Example: flatscan tolerances plaster 2m
    """
    from flatscan import report, standards

    entries = standards.matching(words)
    if as_json:
        sys.stdout.write(report.text(report.tolerance_records(entries)))
    else:
        click.echo(report.tolerance_text(entries, units))
    return 0


@click.command("methods")
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="Names and titles on stdout as JSON; with NAME its text too.")
def methods(name: str | None, *, as_json: bool) -> int:
    """How it computes and decides: the text called NAME, or a list of all texts.

    A sheet or a line of code that cites methods/decision 3 means section 3 of the text called decision.

    Example: flatscan methods decision
    """
    import json

    from flatscan import methods as room

    texts = room.available() if name is None else (room.load(name),)
    if as_json:
        listed = [
            {"name": text.name, "title": text.title} | ({} if name is None else {"text": text.text}) for text in texts
        ]
        sys.stdout.write(json.dumps({"schema": 1, "methods": listed}, ensure_ascii=False, indent=2) + "\n")
    elif name is None:
        for text in texts:
            click.echo(f"{text.name:14} {text.title}")
    else:
        click.echo(texts[0].text, nl=False)
    return 0


@click.command("rates")
@click.option("--example", is_flag=True, help="A commented price list in TOML, to fill in.")
@click.option("--out", type=click.Path(), help="Write it to this file instead of stdout.")
@click.option("--overwrite", is_flag=True, help="Replace the file if it is there.")
def rates(*, example: bool, out: str | None, overwrite: bool) -> int:
    """A price list to fill in with your own rates, for survey and compare --rates FILE. No price comes with it.

    Example: flatscan rates --example --out rates.toml
    """
    from flatscan.core.notes import note
    from flatscan.plan.rates import TEMPLATE
    from flatscan.report.placing import write_file
    from flatscan.report.say import say

    if not example:
        raise click.UsageError("Give --example: flatscan rates --example --out rates.toml")
    if out is None:
        click.echo(TEMPLATE, nl=False)
        return 0
    path = write_file(out, TEMPLATE.encode(), overwrite=overwrite)
    click.echo(say(note("run.rates-in", file=str(path))), err=True)
    return 0


@click.command("completion")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def completion(shell: str) -> int:
    """Print what a shell needs to complete flatscan's commands and options on the tab key.

    Example: flatscan completion bash > ~/.local/share/bash-completion/completions/flatscan
    """
    from flatscan.cli import group

    kind = get_completion_class(shell)
    assert kind is not None
    click.echo(kind(group, {}, "flatscan", "_FLATSCAN_COMPLETE").source())
    return 0


def version_text() -> str:
    """Lines with the version of flatscan, of Python and the machine, and of every library that numbers come from."""
    lines = [f"flatscan {__version__}", f"Python {platform.python_version()} on {platform.platform()}"]
    return "\n".join(lines + [f"{name} {_version(name)}" for name in COMPUTES_WITH])


def _version(name: str) -> str:
    # asks the installer's records instead of importing: open3d alone would take a second
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return "not installed"
