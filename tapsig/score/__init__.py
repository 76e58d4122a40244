"""Reference against detected: matching, counts, rates and their intervals."""
