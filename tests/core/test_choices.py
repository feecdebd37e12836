"""Choices stand once: what a room knows about each of them is known about all of them."""

import subprocess
import sys

from flatscan.core import choices
from flatscan.core.units import METRES_PER
from flatscan.desk import asking
from flatscan.plan.stops import SEEN
from flatscan.relief import TYPES
from flatscan.report.figures import style
from flatscan.report.target_sheet import PAPERS


def test_what_belongs_to_a_choice_is_there_for_each():
    assert tuple(TYPES) == choices.CAPTURE_TYPES
    assert tuple(SEEN) == choices.SIGNS
    assert tuple(METRES_PER) == choices.LENGTH_UNITS
    assert tuple(PAPERS) == tuple(style.PAPERS) == choices.PAPERS
    assert {answer.value for answer in asking.how_captured().choices} < set(choices.CAPTURE_TYPES)


def test_reading_the_choices_needs_no_library():
    code = "import sys, flatscan.core.choices; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
