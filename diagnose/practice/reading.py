"""Numbers in the practice files."""

from __future__ import annotations

from diagnose.knowledge.reading import Reader, Text


def number_of(reader: Reader, key: str, whole: bool = False) -> float:
    """A number from 0 on under a key; 0 where there is an issue, which is then noted."""
    text = reader.text(key)
    if not isinstance(reader.raw(key), Text):
        return 0.0
    try:
        value = float(int(text)) if whole else float(text)
    except (ValueError, OverflowError):
        value = -1.0
    if not 0.0 <= value < 1e18:
        kind = "whole number" if whole else "number"
        reader.problem(f"'{text}' is no {kind} from 0 on", key)
        return 0.0
    return value
