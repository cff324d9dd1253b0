"""Long runs that a reduced test stands for."""
