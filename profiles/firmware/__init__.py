"""A profile's actions as the C source of a stand-alone trigger adapter."""
