"""What switches a controller's supply, and the simulated rig that stands in for hardware."""
