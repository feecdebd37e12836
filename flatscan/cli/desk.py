"""``flatscan desk``: the page for people who do not use a terminal."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from flatscan.cli.speaking import hand_over, words


@click.command("desk")
@click.option(
    "--out",
    "--folder",
    "folder",
    type=click.Path(file_okay=False),
    help="Folder for walls.  [default: flatscan-walls at home]",
)
@click.option("--json", "as_json", is_flag=True, help="Print the page's address as JSON, once it is ready.")
@click.option("--quiet", is_flag=True, help="Say nothing but errors.")
@click.option("--share", is_flag=True, help="Let a phone on the same network open the page too.")
@click.option("--https", is_flag=True, help="Share it encrypted, so that a phone can read without a connection too.")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    help="Number of the port (the door the page is reached by).  [default: 8765, or a free one]",
)
@click.option(
    "--upload-limit",
    type=click.FloatRange(0.001, 1000),
    default=4.0,
    show_default=True,
    metavar="GB",
    help="Largest scan the page takes, in gigabytes.",
)
@click.option("--no-browser", is_flag=True, help="Only print the address.")
def desk(
    folder: str | None,
    *,
    as_json: bool,
    quiet: bool,
    share: bool,
    https: bool,
    port: int | None,
    upload_limit: float,
    no_browser: bool,
) -> int:
    """Do the whole job in a browser: drop a scan or type readings, answer a few questions, print the sheets.

    The page is served by this machine to itself; --share lets other devices on the network in, with the same secret.

    Example: flatscan desk
    """
    from flatscan import desk, report

    place = Path.home() / "flatscan-walls" if folder is None else Path(folder)

    def ready(address: str) -> None:
        if as_json:
            document = {"schema": 1, "command": "desk", "address": address, "folder": str(place.resolve())}
            hand_over(report.text(document))

    desk.serve(
        place,
        share=share,
        https=https,
        port=port,
        browser=not no_browser,
        upload_limit=int(upload_limit * 1e9),
        say=partial(words, quiet=quiet),
        ready=ready,
    )
    return 0
