"""Rig, scenario and program files become values; what a run will do is planned from them."""
