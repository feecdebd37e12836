"""A wall from plain photos: where each was taken, how sure that is, and what their parallax makes of the wall."""
