"""``flatscan recheck``: verify a sealed file, rerun it, and set each number beside the sealed one."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from flatscan.cli.progress import progress_bar

if TYPE_CHECKING:
    from flatscan.evidence import Rechecked

SAME, ALTERED, DIFFERENT = 0, 3, 4


@click.command("recheck")
@click.argument("file", type=click.Path())
@click.option("--seal", help="The seal as told by the file's maker another way (64 hex digits).")
@click.option("--key", help="The public key you expect: 64 hex digits, or a public key file.")
@click.option("--json", "as_json", is_flag=True, help="The report on stdout as JSON.")
@click.option("--quiet", is_flag=True, help="Only differences, not every number.")
def command(file: str, *, seal: str | None, key: str | None, as_json: bool, quiet: bool) -> int:
    """Verify a sealed FILE byte by byte, rerun its jobs from its captures, and compare each number.

    Exit code 0: same; 3: altered; 4: unchanged, but recomputes differently.

    Example: flatscan recheck wall-evidence.zip --key signer.pub
    """
    from flatscan import evidence, report
    from flatscan.core.errors import BadValue
    from flatscan.evidence.keys import public_key
    from flatscan.report.rechecked import recheck_record, recheck_text

    if seal is not None and (len(seal.strip()) != 64 or set(seal.strip().lower()) - set("0123456789abcdef")):
        raise BadValue("--seal", f"'{seal}'", needed="64 hex digits", remedy="Copy the seal that sealing printed")
    expected = None if key is None else public_key(key)
    with progress_bar(quiet=quiet) as progress:
        found = evidence.recheck(file, seal=seal, key=expected, progress=progress)
    if as_json:
        sys.stdout.write(report.text(recheck_record(found)))
    else:
        click.echo(recheck_text(found, every=not quiet))
    return _code(found)


def _code(found: Rechecked) -> int:
    return {"same": SAME, "altered": ALTERED}.get(found.status, DIFFERENT)
