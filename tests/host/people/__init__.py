"""The host's people: an e-mail address instead of a login name, a UUID as key."""
