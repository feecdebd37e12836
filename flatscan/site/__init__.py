"""A whole site: many captures, many walls, one summary; resumable, and the same on one machine or on several."""

from flatscan.site.run import Run, run

__all__ = ["Run", "run"]
