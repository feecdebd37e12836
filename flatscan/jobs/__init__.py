"""The one room that knows the order of the stages: capture, wall, relief, shape, then what was asked."""

from flatscan.jobs.checking import check, check_seen
from flatscan.jobs.comparing import compare_surveys
from flatscan.jobs.lasers import lines
from flatscan.jobs.listing import Listed, Undecided, list_readings
from flatscan.jobs.results import (
    Change,
    Check,
    Either,
    Lines,
    Looked,
    Lows,
    LowsByHand,
    Result,
    Seen,
    SetOut,
    Setting,
    SiteWall,
    Survey,
    Tested,
    gaps_in,
    verdict_in,
)
from flatscan.jobs.ruling import lows, lows_by_hand, lows_seen
from flatscan.jobs.seeing import find_room, list_walls, read, see, seen_in
from flatscan.jobs.settings import Capturing, Comparing, Finishing, Progress, Requirement, silent
from flatscan.jobs.surveying import (
    measured,
    plan,
    planned,
    set_out,
    set_out_seen,
    site_wall,
    survey,
    survey_seen,
)
from flatscan.jobs.walls_together import survey_together
from flatscan.jobs.work_planned import Planned, Together

__all__ = [
    "Capturing",
    "Change",
    "Check",
    "Either",
    "Comparing",
    "Finishing",
    "Lines",
    "Listed",
    "Looked",
    "Lows",
    "LowsByHand",
    "Planned",
    "Progress",
    "Requirement",
    "Result",
    "Seen",
    "SetOut",
    "Setting",
    "SiteWall",
    "Survey",
    "Tested",
    "Together",
    "Undecided",
    "check",
    "check_seen",
    "compare_surveys",
    "find_room",
    "gaps_in",
    "lines",
    "list_readings",
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
    "verdict_in",
]
