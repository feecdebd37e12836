"""Paper and data: every number once in `tables`, every format made from it; the only place that rounds and formats."""

from flatscan.report.document import document, text
from flatscan.report.explain import explain
from flatscan.report.folder import FORMATS, USUAL, write
from flatscan.report.hand_lows import hand_lows_document, hand_lows_text
from flatscan.report.listings import tolerance_records, tolerance_text, wall_list, wall_list_text
from flatscan.report.say import spoken, trouble
from flatscan.report.straightened import Photo
from flatscan.report.summary import summary
from flatscan.report.view import all_notes

__all__ = [
    "FORMATS",
    "USUAL",
    "Photo",
    "all_notes",
    "document",
    "hand_lows_document",
    "hand_lows_text",
    "explain",
    "spoken",
    "summary",
    "text",
    "trouble",
    "tolerance_records",
    "tolerance_text",
    "wall_list",
    "wall_list_text",
    "write",
]
