"""One page for a phone without a signal: everything in one file, and nothing fetched."""

from flatscan.report.page.html import page

__all__ = ["page"]
