"""Mutation testing of the rules: `python -m tests.mutants` (see DEVELOPERS.md)."""
