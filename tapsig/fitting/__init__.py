"""Fit the default detector: candidates with their truth, boosted trees, and what an owner's recordings allow."""
