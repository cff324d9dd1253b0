"""``python -m diagnose``."""

from diagnose.cli import main

main()
