"""Where a person can stand, as far as the program itself has to know."""

PANEL = "panel"
"""Where a callout starts, and where the electrical state is changed."""
ANYWHERE = "anywhere"
"""Wherever one stands."""
TELEPHONE = "telephone"
"""Where the customer is asked; nothing there is a step on site."""
