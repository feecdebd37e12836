"""What holds for all tests."""

import signal

import pytest
from undrawn import undrawn

# started in the background of a script, Python ignores Ctrl-C and so does every program it starts: the tests that
# stop a command by Ctrl-C would wait for its end
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture
def few_sheets():
    """For a test that looks at no drawing, paper or page."""
    with undrawn():
        yield
