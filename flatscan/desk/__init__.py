"""The page for people who do not use a terminal: the whole job by hand and eye, in a browser on this machine."""

from flatscan.desk.app import Desk, make_app
from flatscan.desk.serving import serve

__all__ = ["Desk", "make_app", "serve"]
