"""What can go wrong, each said in one form: where, what was found, what was needed, what to do."""

from __future__ import annotations

from collections.abc import Callable


class FlatscanError(Exception):
    """A job that cannot be done, with the words its user needs.

    Parameters
    ----------
    where : the file, option, wall or place the trouble is at.
    found : what was found there, with numbers and units.
    needed : what would have been right.
    remedy : what the user can do now, as an imperative sentence without the full stop.
    """

    def __init__(self, where: object, found: str, *, needed: str, remedy: str) -> None:
        self.where, self.found, self.needed, self.remedy = str(where), found, needed, remedy
        super().__init__(f"{where}: {found}; needed: {needed}. {remedy}.")

    def __reduce__(self) -> tuple[Callable[..., FlatscanError], tuple[object, ...]]:
        """How it crosses from one process to another: exceptions are rebuilt from their text alone otherwise."""
        return _again, (type(self), self.where, self.found, self.needed, self.remedy)


def _again(kind: type[FlatscanError], where: str, found: str, needed: str, remedy: str) -> FlatscanError:
    return kind(where, found, needed=needed, remedy=remedy)


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
