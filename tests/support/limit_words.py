"""Reading texts with limits in them."""

import re


def in_own_units_alone(text):
    """A text whose limits and straightedges, in the unit of their document, stand in the reader's own unit alone."""
    return re.sub(r"\d[\d.]* (?:mm|m)\s+\(([^()]* in)\)", r"\1", text)
