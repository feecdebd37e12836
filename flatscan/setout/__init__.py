"""Screeds and dots: where they stand and how far each is packed off the wall."""

from flatscan.setout.dots import Dot, Screed, SetOut, SetOutOptions
from flatscan.setout.order import set_out

__all__ = ["Dot", "Screed", "SetOut", "SetOutOptions", "set_out"]
