"""How wide a text is, and texts made fit to be drawn: cleaned, trimmed, wrapped.

Widths are estimates on the safe side: the advances of DejaVu Sans, in 1/100 of the font size,
which is wider than the other fonts a drawing may be set in (read from the font's own tables).
"""

from __future__ import annotations

import unicodedata

SIZE = 13.0
BOLD = 1.13
"""Bold letters over plain ones (mean of the small letters of DejaVu Sans)."""
TRIMMED = 200
"""Characters of one text that are looked at."""
ELLIPSIS = "…"
_GROUPS = {
    27: "'",
    29: "ijlIJ",
    32: " ,.·",
    34: "/:;\\|f",
    36: "-",
    40: "()[]t!",
    41: "r",
    50: '"*_`–',
    52: "sz",
    55: "?cL",
    58: "Fk",
    61: "vxyPTYao",
    64: "eESbdghnpqu$0123456789{}µß",
    69: "KAVBRXZ",
    70: "C",
    75: "UHN",
    79: "DG&OQΩ",
    84: "w#+<=>^~≤≥→",
    87: "M",
    100: "%mW@—…",
}
_ADVANCE = {char: share / 100 for share, chars in _GROUPS.items() for char in chars}
_WIDE = ("W", "F")


def clean(text: str, most: int = TRIMMED) -> str:
    """A text on one line that an XML file can hold and that stays in its own direction.

    Control characters and marks that turn the direction of writing are left out, as are
    characters that XML 1.0 forbids.
    """
    text = text[: 4 * most]
    kept = (
        c if unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Co", "Cn") else " " for c in text
    )
    text = " ".join("".join(kept).split())
    return text if len(text) <= most else text[: most - 1].rstrip() + ELLIPSIS


def width(text: str, size: float = SIZE, bold: bool = False) -> float:
    """Estimated width of a text, in the unit of `size`."""
    total = 0.0
    for char in text:
        if char in _ADVANCE:
            total += _ADVANCE[char]
        elif unicodedata.combining(char):
            continue
        elif ord(char) < 0x250:
            base = unicodedata.normalize("NFD", char)[0]
            total += _ADVANCE.get(base, 0.8)
        elif unicodedata.east_asian_width(char) in _WIDE or ord(char) > 0xFFFF:
            total += 1.4
        else:
            total += 0.9
    return total * size * (BOLD if bold else 1.0)


def trim(text: str, room: float, size: float = SIZE, bold: bool = False) -> str:
    """A clean text cut so that it fits `room`; what is cut off shows as an ellipsis."""
    text = clean(text)
    if width(text, size, bold) <= room:
        return text
    while text and width(text.rstrip() + ELLIPSIS, size, bold) > room:
        text = text[:-1]
    return text.rstrip() + ELLIPSIS


def wrap(
    text: str, room: float, lines: int, size: float = SIZE, bold: bool = False
) -> tuple[str, ...]:
    """A clean text in at most so many lines of `room`; what does not fit is cut off."""
    most = TRIMMED * max(1, lines)
    result: list[str] = []
    words = [
        piece for word in clean(text, most).split() for piece in _pieces(word, room, size, bold)
    ]
    while words and len(result) < lines - 1:
        line = words.pop(0)
        while words and width(_joined(line, words[0]), size, bold) <= room:
            line = _joined(line, words.pop(0))
        result.append(trim(line, room, size, bold))
    if words:
        line = words[0]
        for word in words[1:]:
            line = _joined(line, word)
        result.append(trim(line, room, size, bold))
    return tuple(result)


def _pieces(word: str, room: float, size: float, bold: bool) -> list[str]:
    """A word that is too long for a line and has a stroke or a hyphen in it, parted there."""
    if width(word, size, bold) <= room:
        return [word]
    for mark in "/-":
        head, found, tail = word.partition(mark)
        if found and tail:
            return [head + found, tail]
    return [word]


def _joined(line: str, word: str) -> str:
    return line + word if line.endswith("/") else f"{line} {word}"
