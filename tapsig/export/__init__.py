"""Integer form and C source of a detector."""
