"""Laps and the setup log joined to runs, and reduced to statistics. Knows nothing of models."""
