"""Labels: proposed by machine, and compared between people."""
