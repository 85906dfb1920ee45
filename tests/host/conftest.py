"""The host's modules belong to its own process; only the test itself is collected here."""

collect_ignore = ["people", "probe.py", "settings.py", "urls.py"]
