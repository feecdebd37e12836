"""The house as a library: what ``import flatscan as fs`` offers to somebody with a notebook.

Lengths go in as metres, or as text with their unit ("1.8 m", "3 mm", "5 7/8 in"), and come out as metres; arrays are
``[up, along]``, row 0 at the bottom; u is a standard uncertainty (k = 1). Whatever cannot be done raises a
`FlatscanError` that says where, what was found, what was needed and what to do.
"""

from flatscan.core.errors import FlatscanError
from flatscan.core.notes import Note, Unknown
from flatscan.core.quantity import Quantity
from flatscan.core.reliefs import Grid, Stations
from flatscan.core.showing import Showing
from flatscan.jobs import Change, Check, Lines, Lows, Requirement, Seen, SetOut, Survey
from flatscan.library.captures import find_walls, read, relief
from flatscan.library.outputs import document, say, tolerances, write
from flatscan.library.questions import Plan, check, compare, lines, lows, set_out, survey
from flatscan.report import screen

# results show themselves in the words of the report, which no job knows
Showing.in_a_line, Showing.on_a_page = screen.in_a_line, screen.on_a_page
