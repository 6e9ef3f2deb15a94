"""Fuzzing: inputs made from good ones by chance, and by what they reach. ``make fuzz`` runs it."""
