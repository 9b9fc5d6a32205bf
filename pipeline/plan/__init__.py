"""Run orders for a test day, and how small a difference they can show."""
