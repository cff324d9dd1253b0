"""Belief, strategy, test graph and rules."""
