"""``flatscan tolerances``: what may be judged by, and how sure each entry is."""

from __future__ import annotations

import sys

import click

from flatscan.core.choices import SHEET_UNITS


@click.command("tolerances")
@click.argument("words", nargs=-1)
@click.option("--json", "as_json", is_flag=True, help="The entries on stdout as JSON.")
@click.option("--units", type=click.Choice(SHEET_UNITS), default="mm", show_default=True, help="Of the list.")
def command(words: tuple[str, ...], *, as_json: bool, units: str) -> int:
    """The tolerance entries: length, limit, method, source, how sure. WORDS narrow the list.

    Entries tagged "from memory" give numbers but no decision. The contract's document and edition govern.

    Example: flatscan tolerances plaster 2m
    """
    from flatscan import report, standards
    from flatscan.core.errors import BadValue

    entries = [entry for entry in standards.available() if all(word.lower() in str(entry).lower() for word in words)]
    if not entries:
        raise BadValue(
            "tolerances", f"no entry holds {' and '.join(words)}", needed="words of an entry's id, document or note",
            remedy="Run flatscan tolerances without words to see them all",
        )  # fmt: skip
    if as_json:
        sys.stdout.write(report.text(report.tolerance_records(entries)))
    else:
        click.echo(report.tolerance_text(entries, units))
    return 0
