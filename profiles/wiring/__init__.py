"""Interface values with their working shown: trigger inputs, level conversion, pull-ups. Calculation only."""
