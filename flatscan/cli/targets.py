"""``flatscan targets``: printable photo targets and calibration boards."""

from __future__ import annotations

import re

import click

from flatscan.cli.values import LENGTH
from flatscan.core.choices import PAPERS


@click.command("targets")
@click.option("--size", type=LENGTH, required=True, help="Side of the black square on paper, or of a board's square.")
@click.option("--count", type=int, default=8, show_default=True, help="How many targets.")
@click.option("--first", type=int, default=0, show_default=True, help="Number of the first.")
@click.option("--board", metavar="WxH", help="A calibration board of so many squares instead, such as 7x9.")
@click.option("--paper", type=click.Choice(PAPERS), default="a4", show_default=True, help="Of the pages.")
@click.option("--out", type=click.Path(), default="targets.pdf", show_default=True, help="The PDF.")
@click.option("--overwrite", is_flag=True, help="Replace a file that exists.")
def command(
    *, size: float, count: int, first: int, board: str | None, paper: str, out: str, overwrite: bool
) -> int:  # fmt: skip
    """Printable targets for photos of a wall, to scale, with a ruler to check the print; or a calibration board.

    Print at 100 %, measure the black square on the paper, and use that size.

    Example: flatscan targets --size 120mm --count 8
    """
    from flatscan.capture.printed_marks import Board
    from flatscan.report.one_file import write_file
    from flatscan.report.target_sheet import board_page, target_pages

    if board is None:
        made = target_pages(size, count, first=first, paper=paper)
    else:
        match = re.fullmatch(r"(\d+)\s*[x×]\s*(\d+)", board)
        if match is None:
            raise click.BadParameter(f"'{board}' is not squares across and down such as 7x9", param_hint="--board")
        made = board_page(Board(int(match[1]), int(match[2]), size, markers=True), paper=paper)
    write_file(out, made, overwrite=overwrite)
    click.echo(f"Written to {out}. Print at 100 %, check the ruler, and use the size you measure on the paper.")
    return 0
