"""Screeds and dots: where they stand and how far each is packed off the wall."""

from flatscan.setout.dots import Dot, FacePlane, Screed, SetOut, SetOutOptions
from flatscan.setout.order import set_out

__all__ = ["Dot", "FacePlane", "Screed", "SetOut", "SetOutOptions", "set_out"]
