"""Lenses and printed marks: boards found in photos, lenses solved from them, camera files, targets."""
