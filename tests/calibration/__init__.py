"""Seasons with a known truth, and how often the analysis is right about them."""
