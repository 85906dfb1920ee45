"""Index of admin classes."""
