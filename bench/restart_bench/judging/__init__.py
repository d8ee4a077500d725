"""Pure: evidence becomes findings, cycles and scenarios with a verdict."""
