"""Several rigs at the same time: a child run for each, one table, one exit code."""
