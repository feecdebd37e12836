"""Paper and data: every number once in `tables`, every format made from it; the only place that rounds and formats."""

from flatscan.sheets.document import document, text
from flatscan.sheets.explain import explain
from flatscan.sheets.folder import FORMATS, USUAL, write
from flatscan.sheets.hand_lows import hand_lows_document, hand_lows_text
from flatscan.sheets.listings import tolerance_records, tolerance_text, wall_list, wall_list_text
from flatscan.sheets.straightened import Photo
from flatscan.sheets.summary import summary

__all__ = [
    "FORMATS",
    "USUAL",
    "Photo",
    "document",
    "hand_lows_document",
    "hand_lows_text",
    "explain",
    "summary",
    "text",
    "tolerance_records",
    "tolerance_text",
    "wall_list",
    "wall_list_text",
    "write",
]
