"""Profiles that come with Linewarden: fictional gear, and open standards."""
