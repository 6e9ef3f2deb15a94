"""Faults on real ptys, with the chain in a process of its own."""
