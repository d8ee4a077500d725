"""Scenario files as items of pytest."""
