"""Heat science: pure functions."""
