"""Longer runs than the tests make; each is started by hand."""
