"""Finish plane, build-up, coats, bags and hacking."""
