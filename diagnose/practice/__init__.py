"""Practice: callouts that never happened, answered by the plant model."""
