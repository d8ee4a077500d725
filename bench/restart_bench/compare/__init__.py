"""What changed between two runs, and which run is approved as baseline."""
