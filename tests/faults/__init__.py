"""Faults with real processes: kill -9, doubled schedulers, a broker that is away."""
