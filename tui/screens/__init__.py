"""The dashboard's screens."""
