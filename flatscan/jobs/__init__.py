"""The one room that knows the order of the stages: capture, wall, relief, shape, then what was asked."""

from flatscan.jobs.checking import check, check_seen
from flatscan.jobs.findings import Findings, Seen, Together
from flatscan.jobs.quoting import measured, plan, planned, survey, survey_seen
from flatscan.jobs.rooms import survey_together
from flatscan.jobs.seeing import find_room, list_walls, read, see, seen_in
from flatscan.jobs.settings import Capturing, Finishing, Progress, Requirement, silent
from flatscan.jobs.working import LowsByHand, lows, lows_by_hand, lows_seen, set_out, set_out_seen

__all__ = [
    "Capturing",
    "Findings",
    "Finishing",
    "LowsByHand",
    "Progress",
    "Seen",
    "Requirement",
    "Together",
    "check",
    "check_seen",
    "find_room",
    "list_walls",
    "lows",
    "lows_by_hand",
    "lows_seen",
    "measured",
    "plan",
    "planned",
    "read",
    "see",
    "seen_in",
    "set_out",
    "set_out_seen",
    "silent",
    "survey",
    "survey_seen",
    "survey_together",
]
