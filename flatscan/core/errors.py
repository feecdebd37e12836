"""What can go wrong, each said in one form: where, what was found, what was needed, what to do."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import PurePath

from flatscan.core.phrase import LIBRARY, Manner, fill


class FlatscanError(Exception):
    """A job that cannot be done, with the words its user needs.

    The parts are templates of `core.phrase`: a number stands in them as ``{name:kind}`` and comes as a quantity among
    ``values``, a setting as ``{set:rule}``, so that each reader gets his own units and names.

    Parameters
    ----------
    where : the file, setting, wall or place the trouble is at.
    found : what was found there.
    needed : what would have been right.
    remedy : what the user can do now, as an imperative sentence without the full stop.
    """

    def __init__(self, where: object, found: str, *, needed: str, remedy: str, **values: object) -> None:
        self._parts, self.values = (str(where), found, needed, remedy), values
        super().__init__(self.text())

    def parts(self, manner: Manner = LIBRARY) -> tuple[str, str, str, str]:
        """Where, found, needed and remedy in somebody's units and names."""
        where, found, needed, remedy = (fill(part, self.values, manner) for part in self._parts)
        return where, found, needed, remedy

    def text(self, manner: Manner = LIBRARY) -> str:
        """All four parts in one line."""
        where, found, needed, remedy = self.parts(manner)
        return f"{where}: {found}; needed: {needed}. {remedy}."

    @property
    def where(self) -> str:
        """The file, setting, wall or place the trouble is at."""
        return self.parts()[0]

    @property
    def found(self) -> str:
        """What was found there."""
        return self.parts()[1]

    @property
    def needed(self) -> str:
        """What would have been right."""
        return self.parts()[2]

    @property
    def remedy(self) -> str:
        """What the user can do now."""
        return self.parts()[3]

    @property
    def choices(self) -> tuple[tuple[str, str], ...]:
        """Settings and their values that the remedy names, each of which settles it."""
        choices = self.values.get("choices", ())
        return tuple(tuple(choice) for choice in choices) if isinstance(choices, (tuple, list)) else ()

    def inside(self, kind: type[FlatscanError], where: str, **values: object) -> FlatscanError:
        """The same trouble as one of a ``kind``, found at a larger place that is named first."""
        own, found, needed, remedy = self._parts
        return kind(where, f"{own}: {found}", needed=needed, remedy=remedy, **self.values, **values)

    def at(self, where: str) -> FlatscanError:
        """The same trouble at a place that somebody else knows by another name."""
        _, found, needed, remedy = self._parts
        named = {**self.values, "named": where}
        return type(self)("{named}", found, needed=needed, remedy=remedy, **named)

    def calling(self, name: str, other: str) -> FlatscanError:
        """The same trouble with the ``other`` name wherever ``name`` stands in its parts and its words."""
        where, found, needed, remedy = (part.replace(name, other) for part in self._parts)
        values = {
            key: str(value).replace(name, other) if isinstance(value, (str, PurePath)) else value
            for key, value in self.values.items()
        }
        return type(self)(where, found, needed=needed, remedy=remedy, **values)

    @property
    def templates(self) -> tuple[str, str, str, str]:
        """Where, found, needed and remedy with their placeholders, as they were given."""
        return self._parts

    def __reduce__(self) -> tuple[Callable[..., FlatscanError], tuple[object, ...]]:
        """How it crosses from one process to another: exceptions are rebuilt from their text alone otherwise."""
        return _rebuilt, (type(self), self._parts, self.values)


def _rebuilt(kind: type[FlatscanError], parts: tuple[str, str, str, str], values: dict[str, object]) -> FlatscanError:
    where, found, needed, remedy = parts
    return kind(where, found, needed=needed, remedy=remedy, **values)


class ReadError(FlatscanError):
    """A capture file that is missing, cut off, inconsistent or of an unknown kind."""


class UnitsUnknown(FlatscanError):
    """A capture whose unit (or whose up) cannot be told from what it holds."""


class TooFewPoints(FlatscanError):
    """A capture, wall or region with too little in it to measure."""


class WallNotFound(FlatscanError):
    """A capture without the wall that was asked for."""


class BadTable(FlatscanError):
    """A table of readings, rates or tolerances that breaks its own layout."""


class BadValue(FlatscanError):
    """A setting that makes no sense, or two that contradict each other."""


class Infeasible(FlatscanError):
    """A finish plane or coat plan that no wall could satisfy."""


class MixedSurveys(FlatscanError):
    """Captures that should show one wall and do not."""


class OutputError(FlatscanError):
    """A sheet that cannot be written where it was asked for."""


def unwritten(where: object, reason: OSError, remedy: str) -> OutputError:
    """The error for a file or folder that the disk did not take."""
    return OutputError(
        where,
        "cannot be written ({reason})",
        needed="a folder that may be written, with room on its disk",
        remedy=remedy,
        reason=(reason.strerror or str(reason)).lower(),
    )
