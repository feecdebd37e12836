"""What goes into a sealed file beside the captures: the jobs, what its maker states, photos."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from flatscan.jobs import (
    Capturing,
    Comparing,
    Finishing,
    Progress,
    Requirement,
    Result,
    check,
    compare_surveys,
    survey,
)

COMMANDS = ("survey", "check", "compare")


@dataclass(frozen=True)
class Job:
    """One command on one capture (two for compare), with all its settings.

    ``captures`` are positions in the list of captures, from 0. ``earlier`` is how compare's first capture is read.
    """

    command: str
    captures: tuple[int, ...]
    capturing: Capturing = field(default_factory=Capturing)
    testing: Requirement = field(default_factory=Requirement)
    finishing: Finishing = field(default_factory=Finishing)
    comparing: Comparing = field(default_factory=Comparing)
    earlier: Capturing = field(default_factory=Capturing)

    def run(self, paths: tuple[Path, ...], progress: Progress) -> Result:
        """The result of this job on capture files; raises the errors of the command."""
        chosen = [paths[k] for k in self.captures]
        if self.command == "check":
            return check(chosen[0], self.capturing, self.testing, progress)
        if self.command == "compare":
            hows = (self.earlier, self.capturing)
            return compare_surveys(chosen[0], chosen[1], hows, self.comparing, self.finishing, progress)
        return survey(chosen[0], self.capturing, self.testing, self.finishing, progress)


@dataclass(frozen=True)
class Photo:
    """A photo as it goes into the sealed file, its own name, the hash of the original, and whether its data is kept."""

    path: Path
    name: str
    original_sha256: str
    kept: bool


@dataclass(frozen=True)
class Statement:
    """What the maker of a sealed file states in words; nothing of it is proven.

    ``grounds`` is why the capture type is what it is said to be, ``left_out`` captures that were made and are not in
    the file, with the reason, ``date`` the day as stated.
    """

    title: str = ""
    date: str = ""
    grounds: str = ""
    present: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
