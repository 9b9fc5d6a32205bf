"""The tables that pass between stages, and safe CSV. Knows nothing of where they come from."""
