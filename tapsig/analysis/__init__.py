"""What one recording shows: its faults, how the panel rings, room for a threshold, causes of error."""
