"""The one room that knows the order of the stages: capture, wall, relief, shape, then what was asked."""

from flatscan.survey.findings import Findings, Seen
from flatscan.survey.jobs import check, check_seen, lows, plan, set_out, survey, survey_seen
from flatscan.survey.seeing import find_room, list_walls, see, seen_in
from flatscan.survey.settings import Capturing, Finishing, Progress, Testing, silent

__all__ = [
    "Capturing",
    "Findings",
    "Finishing",
    "Progress",
    "Seen",
    "Testing",
    "check",
    "check_seen",
    "find_room",
    "list_walls",
    "lows",
    "plan",
    "see",
    "seen_in",
    "set_out",
    "silent",
    "survey",
    "survey_seen",
]
