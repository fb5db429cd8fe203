"""Invented scenes, negatives and raw files with their ground truth, for the demo, the tests and the benchmarks.

Nothing here shares code with the inversion it is there to check. All stocks, cameras and panels are invented.
"""
