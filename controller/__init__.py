"""What drives the buses: links, confirmation, the gate, the journal. No screen."""
