"""Darkroom moves on the positive: pure functions from a picture to a new picture."""
