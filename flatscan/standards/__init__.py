"""Published tolerances, one TOML a document edition."""
