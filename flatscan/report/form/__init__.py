"""The blank survey form: numbered stations in walking order on paper, and the table to type them into."""

from flatscan.report.form.blank import Blank, stations, template, write

__all__ = ["Blank", "stations", "template", "write"]
