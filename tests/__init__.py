"""Tests of the diagnose package."""
