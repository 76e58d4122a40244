"""Questions asked of many recordings: variants, positions, causes, risk."""
