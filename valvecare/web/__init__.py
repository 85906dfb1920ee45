"""HTTP plumbing for the edges (api.py and pages.py). No maintenance meaning."""
