"""Pure: samples become traces, changes, marks and what may be counted."""
