"""From effects to what to fit: choices, where they switch, and what to test next."""
