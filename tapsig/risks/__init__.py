"""How often the lock opens for the wrong cause or stays shut for the right one, and what waiting costs the battery."""
