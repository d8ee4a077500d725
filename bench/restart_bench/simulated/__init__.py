"""The simulated rig: controller, independent I/O and relay module on three loopback ports."""
