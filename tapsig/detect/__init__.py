"""Detectors of deliberate taps."""
