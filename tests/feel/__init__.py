"""How it felt: coverage of its effects and of the agreement with the clock in drawn worlds."""
