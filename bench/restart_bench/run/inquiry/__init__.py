"""Runs that ask: what every output does (`survey`), and what people expect before each cut (`--ask-first`)."""
