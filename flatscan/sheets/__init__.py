"""Findings to paper: rows and figures; the only place that rounds and formats."""
