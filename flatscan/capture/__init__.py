"""Capture file to `Cloud` or `Stations`."""
