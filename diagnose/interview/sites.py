"""Sites without their names: what was learned at one is found again by a key."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Mapping
from typing import Any

SITE_KEY = 12
"""Characters of a site's key: enough that two sites of one firm hardly ever share one."""


def site_key(site: str) -> str:
    """The start of a SHA-256 over a site's words, case and marks apart; "" for no site."""
    plain = unicodedata.normalize("NFKC", site).casefold()
    words = "-".join(re.findall(r"\w+", plain))
    return hashlib.sha256(words.encode()).hexdigest()[:SITE_KEY] if words else ""


def site_of(opened: Mapping[str, Any]) -> str:
    """The key of a case's site, from what was said when it was opened."""
    return str(opened.get("site_key", "")) or site_key(str(opened.get("site", "")))
