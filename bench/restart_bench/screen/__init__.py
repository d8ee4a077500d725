"""The live screen and its plain sister, replay, and what both are shown."""
