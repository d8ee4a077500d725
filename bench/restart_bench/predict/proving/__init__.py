"""The engine behind predictions: transition systems, reachability, proofs and their second check."""
