"""Fault diagnosis for small water level controllers."""
