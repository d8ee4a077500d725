"""The only room that switches anything: sessions, cycles, actuators, limits and every way out."""
