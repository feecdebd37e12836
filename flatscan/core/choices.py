"""What a user may choose from, each list once: no library is needed to read it, so that help stays quick."""

from __future__ import annotations

# file axes and the direction each names; what may point up
AXES = {
    "x": (1.0, 0.0, 0.0),
    "y": (0.0, 1.0, 0.0),
    "z": (0.0, 0.0, 1.0),
    "-x": (-1.0, 0.0, 0.0),
    "-y": (0.0, -1.0, 0.0),
    "-z": (0.0, 0.0, -1.0),
}
# of a file's coordinates, and of anything a user types
LENGTH_UNITS = ("m", "mm", "cm", "ft", "in")
# of laser readings: what a reading can be in, and which way it grows
READING_UNITS = ("mm", "cm", "in")
SENSES = ("big = hollow", "big = proud")
# what sheets are written in and on
SHEET_UNITS = ("mm", "in")
PAPERS = ("a4", "letter")
# files for other programs, made when asked for
EXTRA_FILES = ("dxf", "ply")
# how a capture was made, from worst to best common uncertainty
CAPTURE_TYPES = (
    "phone-walk",
    "phone-static",
    "photogrammetry",
    "depth-photo",
    "laser-readings",
    "laser-line",
    "laser-sweep",
    "scanner",
)
# how a straightedge is read
METHODS = ("resting", "equal offsets", "balanced end gap")
# where nobody named one: resting and balanced end gap are both judged
BOTH = "both"
# how far a job is
STAGES = ("quote", "set-out", "after-ruling", "hand-over", "dispute")
# what only somebody who knows the job can say of two surveys: that it is one wall for all its other size, that the
# later is the thinner, that the coat is even, that the shapes have nothing in common, that one is no copy of the other
ANSWERS = ("size", "order", "even", "wall", "copy")
# what surface a published limit is for
LIMIT_STAGES = ("background", "undercoat", "finish", "tiles", "formed concrete")
# what was surveyed: bare wall, old plaster that stays, old plaster that comes off
SURFACES = ("bare", "stays", "comes-off")
# what a surveyor saw on site that stops the job
SIGNS = ("damp", "salts", "blown", "moving crack")
# how openings are measured for a bill, as printed: methods/trade 8
AREA_RULES = ("net", "gross", "over-2.5", "half-0.5-3")
