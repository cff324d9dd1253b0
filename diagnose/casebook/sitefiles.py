"""Sites: what stands there, described once and used at every callout; one YAML file each.

A file is replaced whole after each answer, so a description that is broken off goes on where it
was. Until its last question is answered it says ``status: draft``.
"""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from diagnose.casebook.files import is_file
from diagnose.casebook.store import slug
from diagnose.casebook.stores import chosen_store, is_address
from diagnose.errors import DiagnoseError, Issue, fail
from diagnose.interview.sites import older_site_key
from diagnose.keeping import dump, write_whole
from diagnose.knowledge.checks_base import nearest
from diagnose.knowledge.reading import Reader, read_yaml
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation, compose

FORMAT = "1"
FOLDER = "sites"
STATUSES = ("described", "draft")
MARKS = dict.fromkeys(range(0x300, 0x370))
"""Accents over Latin letters, which a file's name is without."""
HEAD = "# A site of diagnose: what is fitted there. Used by 'diagnose callout --site'.\n"


@dataclass(frozen=True)
class Site:
    """One site as described.

    Attributes
    ----------
    name : str
        As the person calls it; cases name it in the same way.
    preset : str
        The ready installation that it is nearest to, "" for the type's standard one.
    variants : variant -> choice
        All of them, as fitted.
    answers : question -> choice
        Answers that are the same at every callout (how one gets to the roof tank).
    fitted : unit -> text
        Make, rating or marking, in free words.
    asked : tuple of str
        With a draft: the questions that are answered already.
    """

    name: str
    installation: str = ""
    preset: str = ""
    variants: Mapping[str, str] = field(default_factory=dict)
    answers: Mapping[str, str] = field(default_factory=dict)
    fitted: Mapping[str, str] = field(default_factory=dict)
    photographs: tuple[str, ...] = ()
    notes: str = ""
    described: str = ""
    status: str = "draft"
    asked: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        """The name of its file, without its ending; "" for a name without letter or digit."""
        return file_key(self.name)

    def with_asked(self, question: str, **changes: Any) -> Site:
        """The same with one more question answered."""
        asked = (*(q for q in self.asked if q != question), question)
        return replace(self, asked=asked, **changes)


def file_key(name: str) -> str:
    """The name of a site's file: that of another site only where both are written alike.

    It is the name's `slug`. Where that cannot hold the whole name (other letters than Latin ones,
    more than fits) the start of a SHA-256 over the name stands behind it.
    """
    plain = unicodedata.normalize("NFKD", name).casefold()
    letters = [c if unicodedata.category(c)[0] in "LMN" else " " for c in plain]
    words = "-".join("".join(letters).split())
    short = slug(name)
    if not words or words.translate(MARKS) == short:
        return short
    return "-".join(
        part for part in (short, hashlib.sha256(words.encode()).hexdigest()[:12]) if part
    )


def sites_folder(store: str | None) -> Path:
    """Where the sites are: below the folder with the cases; with a database, in the user's data."""
    where = store or chosen_store()
    if not is_address(where):
        return Path(where) / FOLDER
    import platformdirs

    return Path(platformdirs.user_data_dir("diagnose", appauthor=False)) / FOLDER


def site_text(site: Site) -> str:
    """A site as it stands in its file; what is empty is left out."""
    data: dict[str, Any] = {"format": FORMAT, "name": site.name, "status": site.status}
    for key in ("described", "installation", "preset", "variants", "answers", "fitted"):
        value = getattr(site, key)
        if value:
            data[key] = value
    if site.photographs:
        data["photographs"] = list(site.photographs)
    if site.notes:
        data["notes"] = site.notes
    if site.status == "draft":
        data["asked"] = list(site.asked)
    return HEAD + dump(data)


def save_site(folder: Path, site: Site) -> Path:
    """Write a site's file, in the place of an earlier one.

    Raises
    ------
    DiagnoseError
        The name has no letter or digit, or the file cannot be written.
    """
    if not site.key:
        raise fail("site", f"'{site.name}' has no letter or digit: no file can be named by it")
    path = file_of(folder, site.name) or folder / f"{site.key}.yaml"
    write_whole(path, site_text(site).encode())
    return path


def read_site(path: Path, knowledge: KnowledgeBase | None = None) -> Site:
    """Read one site's file and, with a knowledge base, compose what it says is fitted.

    Raises
    ------
    DiagnoseError
        With every issue found, each with its place.
    """
    issues: list[Issue] = []
    reader = Reader(read_yaml(path), issues, "site")
    reader.choice("format", (FORMAT,))
    site = Site(
        name=reader.text("name"),
        status=reader.choice("status", STATUSES, "described"),
        described=reader.text("described", ""),
        installation=reader.text("installation", ""),
        preset=reader.text("preset", ""),
        variants=reader.text_map("variants"),
        answers=reader.text_map("answers"),
        fitted=reader.text_map("fitted"),
        photographs=reader.texts("photographs"),
        notes=reader.text("notes", ""),
        asked=reader.texts("asked"),
    )
    reader.done()
    if site.status != "draft" and not site.installation:
        reader.problem("'installation' is missing")
    if not issues and knowledge is not None and site.status != "draft":
        issues.extend(_fits(site, knowledge, reader))
    if issues:
        raise DiagnoseError(issues)
    return site


def _fits(site: Site, knowledge: KnowledgeBase, reader: Reader) -> Iterator[Issue]:
    """What the knowledge base does not know of a site, or cannot build."""
    try:
        fitted = compose(knowledge, site.installation, site.variants)
    except DiagnoseError as error:
        place = getattr(reader.node.get("variants"), "place", reader.place)
        yield from (replace(i, place=i.place or place) for i in error.issues)
        return
    preset = site.preset
    if preset and preset not in fitted.type.presets:
        yield _unknown("ready installation", preset, fitted.type.presets)
    for name, choice in site.answers.items():
        question = knowledge.questions.get(name)
        if question is None:
            yield _unknown("question", name, knowledge.questions)
        elif choice not in question.choices:
            yield _unknown(f"answer of '{name}'", choice, question.choices)
    for unit in site.fitted:
        if unit not in fitted.instances:
            yield _unknown("unit", unit, fitted.instances)


def _unknown(kind: str, name: str, legal: Mapping[str, object]) -> Issue:
    message = f"site: there is no {kind} '{name}'"
    place = getattr(name, "place", None)
    return Issue("error", "unknown-id", message, place, nearest(name, legal))


def site_files(folder: Path) -> list[Path]:
    """Every site's file, by name."""
    return sorted(p for p in folder.glob("*.yaml") if not p.name.startswith("."))


def file_of(folder: Path, name: str) -> Path | None:
    """The file of a site by its name, written in any way; never that of another site.

    A file that cannot be read counts as the one its own name says, so that what is wrong is told.
    """
    key = file_key(name)
    older = (slug(name), older_site_key(name))
    for stem in dict.fromkeys((key, *older)):
        path = folder / f"{stem}.yaml"
        if not stem or not is_file(path):
            continue
        try:
            found = file_key(read_site(path).name)
        except DiagnoseError:
            found = stem
        if found == key:
            return path
    return None


def find_site(folder: Path, name: str) -> Path | None:
    """The file of a site by its name, written in any way, or by its file's name."""
    path = folder / f"{name}.yaml"
    by_file = path if "/" not in name and is_file(path) else None
    return file_of(folder, name) or by_file


def load_site(folder: Path, name: str, knowledge: KnowledgeBase) -> tuple[Site, Installation]:
    """A site that is described to the end, and its installation.

    Raises
    ------
    DiagnoseError
        There is no such site, its description is not finished, or its file has issues.
    """
    path = find_site(folder, name)
    if path is None:
        legal = [p.stem for p in site_files(folder)]
        raise fail("unknown-id", f"there is no site '{name}' in {folder}", None, legal)
    site = read_site(path, knowledge)
    if site.status == "draft":
        raise fail("site", f"'{site.name}' is not described to the end: diagnose site new")
    return site, compose(knowledge, site.installation, site.variants)
