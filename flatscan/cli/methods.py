"""``flatscan methods``: how it computes and decides, with the source of every figure."""

from __future__ import annotations

import sys

import click


@click.command("methods")
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="Names and titles on stdout as JSON; with NAME its text too.")
def command(name: str | None, *, as_json: bool) -> int:
    """How it computes and decides: the text called NAME, or a list of all texts.

    A sheet or a line of code that cites methods/decision 3 means section 3 of the text called decision.

    Example: flatscan methods decision
    """
    import json

    from flatscan import methods

    texts = methods.available() if name is None else (methods.load(name),)
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
