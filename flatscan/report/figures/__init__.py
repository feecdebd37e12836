"""Drawings of a wall in its flat elevation, returned as matplotlib figures and never shown or saved here."""
