"""``flatscan form``: a blank survey form to print, and the table to type it into."""

from __future__ import annotations

import click

from flatscan.cli.values import LENGTH
from flatscan.core.choices import PAPERS, SHEET_UNITS


@click.command("form")
@click.option("--width", type=LENGTH, default="4m", show_default=True, help="Width of the wall.")
@click.option("--height", type=LENGTH, default="2.4m", show_default=True, help="Height of the wall.")
@click.option("--spacing", type=LENGTH, default="1.2m", show_default=True, help="Most between columns of stations.")
@click.option("--title", default="", help="The wall's name.")
@click.option("--paper", type=click.Choice(PAPERS), default="a4", show_default=True, help="Of the form.")
@click.option("--units", type=click.Choice(SHEET_UNITS), default="mm", show_default=True, help="Of the form.")
@click.option("--out", type=click.Path(), default="flatscan-form", show_default=True, help="Folder for the two files.")
@click.option("--overwrite", is_flag=True, help="Replace files that exist.")
def command(
    *, width: float, height: float, spacing: float, title: str, paper: str, units: str, out: str, overwrite: bool
) -> int:  # fmt: skip
    """A blank form with numbered stations in walking order, and the CSV to type the readings into.

    BIG = HOLLOW. Read the first station again last. Laser class 2, never at eye level; read from a stable platform.

    Example: flatscan form --width 4.2m --height 2.5m
    """
    from flatscan.report.form import Blank, write

    written = write(out, Blank(width, height, spacing, title), paper=paper, units=units, overwrite=overwrite)
    click.echo(f"Written: {', '.join(str(path) for path in written)}. Survey it with flatscan survey {written[-1]}")
    return 0
