"""Readers: a file each kind of capture, told apart by what is in it and not by its name."""
