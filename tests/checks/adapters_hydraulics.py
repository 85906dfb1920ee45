"""Adapters of the hydraulics table."""
