"""What holds for all tests."""

import os
import signal

import pytest
from undrawn import undrawn

# before numpy is loaded, as the command line does
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# started in the background of a script, Python ignores Ctrl-C and so does every program it starts: the tests that
# stop a command by Ctrl-C would wait for its end
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
# and so with a terminal that is closed, where they were started to outlive it
if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
    signal.signal(signal.SIGHUP, signal.SIG_DFL)


@pytest.fixture
def few_sheets():
    """For a test that looks at no drawing, paper or page."""
    with undrawn():
        yield
