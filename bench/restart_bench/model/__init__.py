"""The values that all rooms exchange: rig, scenario, program, journal, samples, verdicts, wording."""
