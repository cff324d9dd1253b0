"""The firm that writes a report: a YAML file with its name, address, logo and wording.

::

    name: Example Pump Service          # the only key that must be there
    address: [1 Example Lane, Exampletown]
    logo: logo.png                      # beside the file; PNG, JPEG, GIF, WebP or SVG
    paper: a4                           # or letter
    language: en
    wording:
      title: Service report             # each text takes the place of the one that comes with it
      opening: Thank you for calling us.
      closing: Please keep this report with the drawing of the installation.
      terms: Payment within 14 days.
      customer: Customer
      technician: Technician

Without ``--firm`` it is ``firm.yaml`` in the user's configuration folder, where there is one.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.errors import DiagnoseError, Issue, fail
from diagnose.language import languages

if TYPE_CHECKING:
    from diagnose.report.document import Logo

WORDING = ("title", "opening", "closing", "terms", "customer", "technician")
LARGEST_LOGO = 2_000_000
"""Bytes."""
MAGIC = (
    (b"\x89PNG\r\n\x1a\n", "png"),
    (b"\xff\xd8\xff", "jpg"),
    (b"GIF87a", "gif"),
    (b"GIF89a", "gif"),
)


@dataclass(frozen=True)
class Firm:
    """What the file says; empty texts where it says nothing."""

    name: str = ""
    address: tuple[str, ...] = ()
    logo: Logo | None = None
    paper: str = ""
    language: str = ""
    wording: Mapping[str, str] = field(default_factory=dict)


def usual_file() -> Path:
    """Where the firm's file is looked for."""
    import platformdirs

    return Path(platformdirs.user_config_dir("diagnose", appauthor=False)) / "firm.yaml"


def firm_at(path: Path | None) -> Firm:
    """The firm of a file, or of the usual one; nobody where there is none.

    Raises
    ------
    DiagnoseError
        The file cannot be used; each issue with its place.
    """
    if path is None:
        path = usual_file()
        if not path.is_file():
            return Firm()
    return read_firm(path)


def read_firm(path: Path) -> Firm:
    """Read a firm's file.

    Raises
    ------
    DiagnoseError
        It cannot be used; each issue with its place.
    """
    from diagnose.knowledge.reading import Reader, read_yaml
    from diagnose.report.document import PAPERS

    issues: list[Issue] = []
    reader = Reader(read_yaml(path), issues, "firm")
    name = reader.text("name")
    if reader.has("name") and not name.strip():
        reader.problem("'name' is empty", "name")
    paper = reader.choice("paper", PAPERS) if reader.has("paper") else ""
    language = reader.text("language", "")
    if language and language.replace("_", "-").partition("-")[0].casefold() not in languages():
        reader.problem(f"there is no language '{language}'", "language", languages(), "language")
    wording = Reader(reader.mapping("wording"), issues, "wording")
    texts = {key: wording.text(key) for key in WORDING if wording.has(key)}
    wording.done()
    address = reader.texts("address")
    logo = None
    file = reader.text("logo", "")
    if file:
        try:
            logo = read_logo(path.parent / file)
        except DiagnoseError as error:
            reader.problem(error.issues[0].message, "logo", code="logo")
    reader.done()
    if issues:
        raise DiagnoseError(issues)
    return Firm(name, address, logo, paper, language, texts)


def read_logo(path: Path) -> Logo:
    """Read a picture file.

    Raises
    ------
    DiagnoseError
        It is missing, too large or no picture.
    """
    from diagnose.report.document import Logo

    try:
        if path.exists() and not path.is_file():  # a pipe would be waited for without end
            raise fail("logo", f"the logo '{path}' is no plain file")
        with path.open("rb") as file:
            data = file.read(LARGEST_LOGO + 1)
    except OSError as error:
        raise fail("logo", f"cannot read the logo '{path}': {error.strerror}") from error
    except ValueError as error:  # a null character in the name
        raise fail("logo", f"cannot read the logo: {error}") from error
    if len(data) > LARGEST_LOGO:
        limit = f"{LARGEST_LOGO // 1_000_000} MB"
        raise fail("logo", f"the logo '{path}' is larger than {limit}")
    kind = next((kind for magic, kind in MAGIC if data.startswith(magic)), "")
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        kind = "webp"
    if not kind and _is_svg(data):
        kind = "svg"
    if not kind:
        raise fail("logo", f"the logo '{path}' is no PNG, JPEG, GIF, WebP or SVG picture")
    return Logo(data, kind)


def _is_svg(data: bytes) -> bool:
    if b"<!DOCTYPE" in data or b"<!ENTITY" in data:
        return False
    try:
        return ET.fromstring(data).tag == "{http://www.w3.org/2000/svg}svg"
    except ET.ParseError:
        return False
