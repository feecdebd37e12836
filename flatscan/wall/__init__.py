"""`Cloud` to the walls it shows."""
