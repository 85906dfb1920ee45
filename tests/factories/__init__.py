"""Valid rows for tests, one module per capability."""
