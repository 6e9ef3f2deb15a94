"""Parts of screens."""
