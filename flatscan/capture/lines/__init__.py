"""Laser lines in photos: found to a part of a pixel and turned into heights by the laser's plane, with their u."""
