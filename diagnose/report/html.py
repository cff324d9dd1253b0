"""A document as one HTML file that needs nothing else: style inside, drawings as data.

Every text is escaped by the template engine. Drawings and logos are pictures in ``data:``
addresses, where no script runs; a policy in the head forbids anything from elsewhere.
"""

from __future__ import annotations

import base64
from collections import Counter
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnose.language import gettext as _
from diagnose.report.document import Document, data_of, with_signs

if TYPE_CHECKING:
    from jinja2 import Template
    from markupsafe import Markup

TEMPLATES = Path(__file__).parent / "templates"
MEDIA = {"svg": "svg+xml", "jpg": "jpeg"}


def html(document: Document) -> str:
    """The document as HTML text."""
    data = with_signs(data_of(document))
    names = _Names()
    for number, block in enumerate(data["blocks"]):
        _prepare(block, number, names)
    from markupsafe import Markup

    css = Markup((TEMPLATES / "document.css").read_text("utf-8"))  # the package's own file
    labels = {"caution": _("CAUTION"), "contents": _("Contents")}
    return _template().render(doc=data, labels=labels, css=css)


class _Names:
    """Names of tables for who cannot see them, no two alike: the heading above and the caption."""

    def __init__(self) -> None:
        self.heading = ""
        self._given: Counter[str] = Counter()

    def of(self, caption: str) -> str:
        name = ": ".join(text for text in (self.heading, caption) if text) or _("Table")
        self._given[name] += 1
        number = self._given[name]
        return f"{name} ({number})" if number > 1 else name


def _prepare(block: dict[str, Any], number: int, names: _Names) -> None:
    """What the template would have to compute."""
    if block["kind"] == "Heading":
        block["anchor"] = f"h{number}"
        names.heading = block["text"]
    elif block["kind"] == "Table":
        total = sum(column["width"] for column in block["columns"])
        for column in block["columns"]:
            column["share"] = round(100 * column["width"] / total, 1)
        block["name"] = names.of(block["caption"])
    elif block["kind"] == "Bars":
        block["name"] = names.of(block["caption"])
        for bar in block["bars"]:
            bar["width"] = round(100 * min(1.0, max(0.0, bar["share"])), 1)
    elif block["kind"] == "Figure":
        block["percent"] = round(100 * min(1.0, block["width"]), 1)


@lru_cache(maxsize=1)
def _template() -> Template:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined
    )
    environment.filters["lines"] = _lines
    environment.filters["svg_uri"] = _svg_uri
    environment.filters["data_uri"] = _data_uri
    return environment.get_template("document.html")


def _lines(text: str) -> Markup:
    """The text, escaped, its line feeds as breaks."""
    from markupsafe import Markup, escape

    return Markup("<br>").join(escape(line) for line in text.split("\n"))


def _svg_uri(svg: str) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()


def _data_uri(logo: dict[str, Any]) -> str:
    kind = MEDIA.get(logo["format"], logo["format"])
    return f"data:image/{kind};base64," + base64.b64encode(logo["data"]).decode()
