"""Detectors and mounting positions compared on the same recordings, with the uncertainty of each comparison."""
