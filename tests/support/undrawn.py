"""Jobs that write no drawings, paper and pages unless these are named: most of a command's time goes there."""

from contextlib import contextmanager

import pytest


@contextmanager
def undrawn():
    """No drawings in this block."""
    from flatscan import report
    from flatscan.report import folder

    with pytest.MonkeyPatch.context() as patched:
        for room in (report, folder):
            patched.setattr(room, "USUAL", ("csv", "json"))
        yield
