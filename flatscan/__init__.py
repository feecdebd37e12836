"""Photo-and-laser wall flatness analyser for plastering and rendering contractors."""

__version__ = "0.1.0"
