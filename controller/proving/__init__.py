"""The proof of a box's source: built, run on a simulated chip, its pin decoded and compared."""
