"""Exports into the store, all or nothing, and laps out of it. Knows nothing of setups."""
