"""The process that owns sockets, schedule and clock, and the handle by which the bench holds it."""
