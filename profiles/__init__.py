"""What is known of the gear: profiles, byte templates, captures. No ports, no network, no clock."""
