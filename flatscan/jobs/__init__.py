"""The one room that knows the order of the stages: capture, wall, relief, shape, then what was asked."""

from flatscan.jobs.checking import check, check_seen
from flatscan.jobs.comparing import compare_surveys
from flatscan.jobs.lasers import lines
from flatscan.jobs.results import (
    Change,
    Check,
    Lines,
    Looked,
    Lows,
    LowsByHand,
    Planned,
    Result,
    Seen,
    SetOut,
    SiteWall,
    Survey,
    Together,
)
from flatscan.jobs.seeing import find_room, list_walls, read, see, seen_in
from flatscan.jobs.settings import Capturing, Comparing, Finishing, Progress, Requirement, silent
from flatscan.jobs.surveying import measured, plan, planned, site_wall, survey, survey_seen, survey_together
from flatscan.jobs.working import lows, lows_by_hand, lows_seen, set_out, set_out_seen

__all__ = [
    "Capturing",
    "Change",
    "Check",
    "Comparing",
    "Finishing",
    "Lines",
    "Looked",
    "Lows",
    "LowsByHand",
    "Planned",
    "Progress",
    "Requirement",
    "Result",
    "Seen",
    "SetOut",
    "SiteWall",
    "Survey",
    "Together",
    "check",
    "check_seen",
    "compare_surveys",
    "find_room",
    "lines",
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
    "site_wall",
    "survey",
    "survey_seen",
    "survey_together",
]
