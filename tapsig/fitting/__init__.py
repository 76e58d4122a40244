"""Fitting the default detector to an owner's recordings: labelled candidates and boosted trees."""
