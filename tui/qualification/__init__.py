"""A qualification as a person sees it: the report's page with its plots, and words for a terminal."""
