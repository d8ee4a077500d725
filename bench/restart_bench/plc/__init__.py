"""Pure: how a controller goes through its program, scan by scan, as IEC 61131-3 has it."""
