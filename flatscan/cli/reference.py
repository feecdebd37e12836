"""What the tool itself holds: tolerance entries, methods, its version and what it computes with, completion."""

from __future__ import annotations

import platform
from importlib import metadata
from typing import Any

import click
from click.shell_completion import get_completion_class

from flatscan import __version__
from flatscan.cli import options
from flatscan.cli.speaking import hand_out, tell, text_file
from flatscan.core.choices import LIMIT_STAGES

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


_FILES = "Folder for it as files.  [default: none is written]"


@click.command("tolerances")
@click.argument("words", nargs=-1)
@click.option("--country", help="Only documents of a country, by its code: DE, GB, AU-QLD.")
@click.option("--stage", type=click.Choice(LIMIT_STAGES), help="Only limits for that surface.")
@options.output(_FILES)
def tolerances(words: tuple[str, ...], country: str | None, stage: str | None, **given: Any) -> int:
    """Published limits: how far out, under what length, how read, where it was read, whether it decides.

    WORDS narrow the list; an entry's ID prints all of it. An entry read in the document itself or in two independent
    places decides; of all others check gives numbers and ends with 4. The contract's document and edition govern.

    Example: flatscan tolerances plaster 2m --country DE
    """
    from flatscan import report, standards

    entries = standards.matching(words, country, stage)
    text, record = report.tolerance_text(entries, given["units"]) + "\n", report.tolerance_records(entries)
    made = [("tolerances.txt", text_file(text)), ("tolerances-result.json", text_file(report.text(record)))]
    hand_out("tolerances", given, record, text, made=made)
    return 0


@click.command("methods")
@click.argument("name", required=False)
@options.output(_FILES)
def methods(name: str | None, **given: Any) -> int:
    """How it measures and decides: the text called NAME, or a list of all texts. NAME words explains the words.

    A sheet or a line of code that cites methods/decision 3 means section 3 of the text called decision.

    Example: flatscan methods decision
    """
    from flatscan import methods as room

    texts = room.available() if name is None else (room.load(name),)
    listed = [
        {"name": text.name, "title": text.title} | ({} if name is None else {"text": text.text}) for text in texts
    ]
    told = "".join(f"{text.name:14} {text.title}\n" for text in texts) if name is None else texts[0].text
    made = [(f"{text.name}.md", text_file(text.text)) for text in texts]
    hand_out("methods", given, {"methods": listed}, told, made=made)
    return 0


@click.command("rates")
@click.option("--example", is_flag=True, help="A price list with remarks (TOML), to fill in.")
@options.output("The file to write, or a folder for it.  [default: stdout]")
def rates(*, example: bool, **given: Any) -> int:
    """A price list to fill in with your own rates, for survey and compare --rates FILE. No price comes with it.

    Example: flatscan rates --example --out rates.toml
    """
    from flatscan.core.notes import note
    from flatscan.plan.rates import TEMPLATE

    if not example:
        raise click.UsageError("Give --example: flatscan rates --example --out rates.toml")
    name = "rates.toml"
    made = [(name, text_file(TEMPLATE))]
    hand_out("rates", given, {"example": TEMPLATE}, TEMPLATE, made=made, name=name, where=False)
    if given["out"] is not None:
        tell(note("run.rates-in", file=given["out"]), given["units"], quiet=given["quiet"])
    return 0


@click.command("completion")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
@options.output("Folder for it as a file.  [default: none is written]")
def completion(shell: str, **given: Any) -> int:
    """Print what lets the tab key complete flatscan's commands and options.

    Example: flatscan completion bash > ~/.local/share/bash-completion/completions/flatscan
    """
    from flatscan.cli import group

    kind = get_completion_class(shell)
    assert kind is not None
    text = kind(group, {}, "flatscan", "_FLATSCAN_COMPLETE").source() + "\n"
    made = [(f"flatscan.{shell}", text_file(text))]
    hand_out("completion", given, {"shell": shell, "text": text}, text, made=made)
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
