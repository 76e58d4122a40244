"""Detectors and mounting positions compared on the same recordings, with what the recordings cannot tell."""
