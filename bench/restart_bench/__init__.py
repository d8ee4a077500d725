"""restart-bench: what every output of a controller does when its power is lost and comes back."""
