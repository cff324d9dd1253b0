"""Sites without their names: what was learned at one is found again by a key."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Mapping, Sequence
from typing import Any

SITE_KEY = 12
"""Characters of a site's key: enough that two sites of one firm hardly ever share one."""


def site_key(site: str) -> str:
    """The start of a SHA-256 over a site's words, case and punctuation apart; "" for no site.

    A vowel sign is part of its word: Hindi names that differ in nothing else are different sites.
    """
    return _key("".join(c if c.isalnum() or _is_mark(c) else " " for c in _plain(site)).split())


def older_site_key(site: str) -> str:
    """The key as it was before vowel signs counted; files of sites may still be named by it."""
    return _key(re.findall(r"\w+", _plain(site)))


def _plain(site: str) -> str:
    return unicodedata.normalize("NFKC", site).casefold()


def _is_mark(character: str) -> bool:
    """An underscore, or a sign that stands with a letter."""
    return character == "_" or unicodedata.category(character) in ("Mn", "Mc")


def _key(words: Sequence[str]) -> str:
    return hashlib.sha256("-".join(words).encode()).hexdigest()[:SITE_KEY] if words else ""


def site_of(opened: Mapping[str, Any]) -> str:
    """The key of a case's site, from what was said when it was opened."""
    return str(opened.get("site_key", "")) or site_key(str(opened.get("site", "")))
