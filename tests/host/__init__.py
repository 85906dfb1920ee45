"""A small host project of somebody else: own people, own prefix, own look, own admin."""
