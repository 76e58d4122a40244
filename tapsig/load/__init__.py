"""Files in: recordings, labels, corpora."""
