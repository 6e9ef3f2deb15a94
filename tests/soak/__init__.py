"""Twenty minutes of faults, outside of CI: `make soak`."""
