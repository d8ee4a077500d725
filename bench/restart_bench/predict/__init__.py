"""What a program model says each output will do after a restart, whether that can be otherwise, and why."""
