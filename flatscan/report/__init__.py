"""Paper and data: every number once in `tables`, every format made from it; the only place that rounds and formats."""

from flatscan.report.explain import explain
from flatscan.report.figures.photo import Photo
from flatscan.report.folder import FORMATS, USUAL, write
from flatscan.report.reporting import report_of
from flatscan.report.result_document import document, text
from flatscan.report.room_list import wall_list, wall_list_text
from flatscan.report.room_pictures import write_pictures
from flatscan.report.say import say, trouble
from flatscan.report.screen import first_screen, summary
from flatscan.report.tolerance_list import tolerance_records, tolerance_text

__all__ = [
    "FORMATS",
    "USUAL",
    "Photo",
    "document",
    "explain",
    "first_screen",
    "report_of",
    "say",
    "summary",
    "text",
    "trouble",
    "tolerance_records",
    "tolerance_text",
    "wall_list",
    "wall_list_text",
    "write",
    "write_pictures",
]
