"""What a person sees in a terminal: the command line and the dashboard."""
