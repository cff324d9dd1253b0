"""The plant model: what every test would show under every failure mode."""
