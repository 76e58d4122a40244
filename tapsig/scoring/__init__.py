"""Detectors on labelled recordings: matching, counts, rates, their intervals, outcomes."""
