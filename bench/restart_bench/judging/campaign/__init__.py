"""What the cycles of a run show together: the map of its cases, and how long things took."""
