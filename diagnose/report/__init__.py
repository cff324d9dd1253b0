"""Neutral documents (a service report, a handbook, a chart) and what renders them."""
