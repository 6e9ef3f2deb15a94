"""Controllers behind a broker: all that is known of them is what Homie says."""
