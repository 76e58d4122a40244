"""Analysis of one recording: faults, ring-down, operating area of a threshold, causes of errors."""
