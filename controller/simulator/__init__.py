"""A chain of units in real time, behind a pty or a sim:// URL, with faults."""
