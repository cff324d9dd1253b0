"""Texts in the columns of a screen, whatever their script."""

from __future__ import annotations

import re
import unicodedata


def fitting(text: str, width: int) -> str:
    """As much of the start of a text as fits into some columns; no mark without its letter."""
    used, end = 0, 0
    for position, char in enumerate(text):
        used += columns(char)
        if used > width:
            break
        end = position + 1
    while 0 < end < len(text) and unicodedata.category(text[end])[0] == "M":
        end -= 1
    return text[:end].rstrip(" ")


def columns(text: str) -> int:
    """Columns of a text on the screen; see `diagnose.report.terminal.columns`."""
    if text.isascii():
        return len(text)
    from diagnose.report.terminal import columns as counted

    return counted(text)


def padded(text: str, width: int) -> str:
    """The text with spaces behind it up to a width on the screen; at least one."""
    return text + " " * max(width - columns(text), 1 if len(text) >= width else 0)


def wrapped(text: str, width: int, first: str, further: str) -> list[str]:
    """The text in lines of at most `width` columns, whatever its characters take up."""
    lines, line, used = [], first, columns(first)
    for number, word in enumerate(_words(text)):
        size = columns(word.rstrip(" "))
        if number and used + size > width:
            lines.append(line.rstrip())
            line, used = further, columns(further)
        while used + size > width > columns(further):
            part = fitting(word, width - used)
            if not part:
                break
            lines.append(line + part)
            word, line, used = word[len(part) :], further, columns(further)
            size = columns(word.rstrip(" "))
        line, used = line + word, used + columns(word)
    return [*lines, line.rstrip()] if line.strip() else lines


def _words(text: str) -> list[str]:
    """Words with the spaces behind them; spaces in front are a word of their own."""
    return re.findall(r"^ +|\S+ *", text)
