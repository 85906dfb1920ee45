"""Migrations of the host's people."""
