"""Figures and pages; they show results and compute nothing."""
