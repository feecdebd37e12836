"""``flatscan completion``: the tab key completes commands and options."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class


@click.command("completion")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def command(shell: str) -> int:
    """Print what a shell needs to complete flatscan's commands and options on the tab key.

    Example: flatscan completion bash > ~/.local/share/bash-completion/completions/flatscan
    """
    from flatscan.cli import group

    kind = get_completion_class(shell)
    assert kind is not None
    click.echo(kind(group, {}, "flatscan", "_FLATSCAN_COMPLETE").source())
    return 0
