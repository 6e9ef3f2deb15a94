"""From captures to profiles."""
