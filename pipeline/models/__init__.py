"""Mixed models of runs: design, solver, inference, outcomes, what cannot be told, verdicts."""
