"""Options that make no sense for a command, or for so many captures."""

from __future__ import annotations

from typing import Any

_CUT = ("region", "opening", "pocket", "skip", "accept", "crop")
_OF_ONE_WALL = ("seen_from", "width", "height", *_CUT, "repeat", "fix", "hand", "clash", "tie")


def one_wall_only(captures: tuple[str, ...], options: dict[str, Any]) -> None:
    """Refuse options that belong to one wall where several captures are given, unless all of them show it."""
    from flatscan.core.errors import BadValue

    if options.get("same_wall"):
        return
    for name in _OF_ONE_WALL:
        if len(captures) > 1 and options.get(name):
            raise BadValue(
                f"{{set:{name}}}",
                "given with {captures} captures",
                needed=f"one capture: {{set:{name}}} belongs to one wall",
                remedy="Run the command once for each capture",
                captures=len(captures),
            )


def not_same_wall(options: dict[str, Any], command: str) -> None:
    """Refuse --same-wall for a command that takes each capture for itself."""
    from flatscan.core.errors import BadValue

    if options.pop("same_wall"):
        raise BadValue(
            "{set:same_wall}",
            "given to {run:" + command + "}",
            needed="survey, check, setout or lows",
            remedy="Leave it out: here each capture stands for itself",
        )
