"""The anonymous export: no name that was planted anywhere comes out, and learning loses nothing."""

from __future__ import annotations

import itertools
import random
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from diagnose.casebook.anonymous import IDS, Exporter, export, is_reading
from diagnose.casebook.counting import Counts
from diagnose.casebook.files import FileStore
from diagnose.casebook.store import CaseHeader, CaseStore
from diagnose.casebook.stores import open_store
from diagnose.casebook.text import canonical
from diagnose.cli import app
from diagnose.errors import DiagnoseError
from diagnose.interview.events import KINDS, Event
from tests.wild_cases import made_case

NAME = "Zacharias Quillfeather-{}, 7 Plumtree Walk"
"""Planted, each time with another number; nobody's name."""
FREE = {
    "opened": ("title", "site", "customer", "photo", "note"),
    "described": ("site", "note"),
    "complaint": ("said",),
    "answered": ("said",),
    "act": ("note",),
    "finding": ("raw", "note", "photograph"),
    "cannot": ("reason",),
    "concluded": ("note",),
    "repaired": ("note",),
    "verified": ("note",),
    "withdrawn": ("reason",),
    "stopped": ("reason",),
    "resumed": ("note",),
    "phoned": ("van", "switch_off", "keep_off", "note"),
    "closed": ("found", "parts", "call_back", "note", "confirmed_by"),
    "called_back": ("text", "note"),
}
"""Kind → free fields, today's and such as another program might add."""


def planted(case: CaseHeader, events: list[Event]) -> tuple[CaseHeader, list[Event], set[str]]:
    """A case with a name in every field that can hold one, and all those names."""
    numbers = itertools.count()
    names: set[str] = set()

    def name() -> str:
        made = NAME.format(f"{case.id}-{next(numbers)}")
        names.add(made)
        return made

    told = []
    for event in events:
        data: dict[str, Any] = dict(event.data)
        if " " in data.get("choice", ""):
            data["choice"] = "sometimes"  # an id, as all choices are
        for key in FREE[event.kind]:
            if key in ("van", "parts", "switch_off"):
                data[key] = [name(), name()]
            elif key == "site" or (key == "found" and "unit" in data):
                continue
            else:
                data[key] = name()
        told.append(replace(event, data=data))
    for kind in set(KINDS) - {event.kind for event in events}:
        extra: dict[str, Any] = {
            key: [name()] if key in ("van", "switch_off", "keep_off") else name()
            for key in FREE[kind]
        }
        if kind == "withdrawn":
            extra["event"] = "none"
        if kind == "complaint":
            extra["ids"] = ["overflows"]
        if kind in ("stopped", "cannot", "phoned", "withdrawn", "resumed"):
            told.insert(1, Event(name(), events[0].at, kind, {**extra, "test": "t"}))
    site = f"Zacharias Quillfeather's yard {len(events) % 4}"
    names.add(site)
    told = [replace(e, data={**e.data, "site": site}) if e.data.get("site") else e for e in told]
    head = replace(case, title=name(), site=site if case.site else "")
    return head, told, names


@pytest.fixture
def source(tmp_path: Path) -> CaseStore:
    """Sixty cases with names in all of them."""
    store = FileStore(tmp_path / "cases")
    chance = random.Random(6)
    for number in range(1, 61):
        head, events, names = planted(*made_case(chance, number))
        assert len(names) > 8
        store.put(head, events)
    return store


def text_of(folder: Path) -> str:
    """All that an export holds: names of files and their contents."""
    return "\n".join(f"{p.name}\n{p.read_text('utf-8')}" for p in sorted(folder.rglob("*.yaml")))


def words(store: CaseStore) -> Iterator[tuple[str, str]]:
    """Every text of a store that says who, where or exactly when: what it is, and itself."""
    for case in store.listing().cases:
        yield "id", case.id
        for event in store.events(case.id):
            yield "event", event.id
            yield "time", event.at


def test_no_planted_name_comes_out(source: CaseStore, tmp_path: Path) -> None:
    before = text_of(tmp_path / "cases")
    assert before.count("Quillfeather") > 500
    for kind in KINDS:
        assert f"  kind: {kind}\n" in before, kind
    exported = export(source, FileStore(tmp_path / "out"))
    assert exported.cases == 60
    assert not exported.issues
    after = text_of(tmp_path / "out")
    assert len(after) > 20_000
    for word in (
        "Quillfeather",
        "Zacharias",
        "Plumtree",
        "Müller",
        "Schmidt",
        "Mill Lane",
        "Teich",
    ):
        assert word.casefold() not in after.casefold(), word
    assert "wasp" not in after
    assert "relay module" not in after
    for what, word in words(source):
        assert word not in after, (what, word)


def test_times_are_months_and_days_since(source: CaseStore, tmp_path: Path) -> None:
    export(source, FileStore(tmp_path / "out"))
    after = text_of(tmp_path / "out")
    times = set(re.findall(r"T(\d\d:\d\d:\d\d)", after))
    assert times == {"00:00:00"}
    out = open_store(str(tmp_path / "out"))
    for case in out.listing().cases:
        assert case.opened[7:] == "-01T00:00:00+00:00"
        assert case.id.startswith(f"{case.opened[:8]}01-case-")
        ats = [event.at for event in out.events(case.id)]
        assert ats == sorted(ats)
    months = Counter(c.opened[:7] for c in source.listing().cases)
    assert Counter(c.opened[:7] for c in out.listing().cases) == months


def test_learning_counts_the_same(source: CaseStore, tmp_path: Path) -> None:
    out = FileStore(tmp_path / "out")
    export(source, out)
    wanted, got = source.counts(), out.counts()
    assert wanted.cases > 20
    for table in ("cases", "causes", "history", "findings"):
        assert getattr(got, table) == getattr(wanted, table), table
    assert without_sites(got) == without_sites(wanted)
    assert shape_of_sites(got) == shape_of_sites(wanted)
    assert len({site for _, site, _ in wanted.sites}) > 1


def without_sites(counts: Counts) -> Counter[tuple[str, str, str]]:
    found: Counter[tuple[str, str, str]] = Counter()
    for (kind, _, work, name), tally in counts.minutes.items():
        found[kind, work, name] += tally.n
    return found


def shape_of_sites(counts: Counts) -> list[list[tuple[str, str, int]]]:
    """What each site counts, without the site."""
    sites: dict[str, list[tuple[str, str, int]]] = {}
    for (kind, site, cause), n in counts.sites.items():
        sites.setdefault(site, []).append((kind, cause, n))
    return sorted(sorted(one) for one in sites.values())


def test_two_exports_cannot_be_joined(source: CaseStore, tmp_path: Path) -> None:
    one, two = FileStore(tmp_path / "one"), FileStore(tmp_path / "two")
    export(source, one)
    export(source, two)
    ids = [{word for what, word in words(store) if what == "event"} for store in (one, two)]
    assert not ids[0] & ids[1]
    order = [[len(store.events(c.id)) for c in store.listing().cases] for store in (one, two)]
    assert order[0] != order[1]
    with pytest.raises(DiagnoseError, match="an export goes to an empty store"):
        export(source, one)


def test_references_within_a_case_are_kept() -> None:
    chance = random.Random(8)
    seen: set[str] = set()
    for number in range(1, 40):
        case, events = made_case(chance, number)
        told = [canonical(event) for event in events]
        head, out = Exporter(chance).case(case, told)
        assert [e.kind for e in out] == [e.kind for e in told]
        place = {event.id: k for k, event in enumerate(told)}
        again = {event.id: k for k, event in enumerate(out)}
        assert len(again) == len(out)
        assert head.variants == case.variants
        for before, after in zip(told, out, strict=True):
            if before.kind == "withdrawn":
                seen.add("withdrawn")
                assert again[after.data["event"]] == place[before.data["event"]]
            for key, minutes in dict(before.data.get("took", {})).items():
                seen.add("took")
                new = {again[k]: m for k, m in after.data["took"].items()}
                assert new[place[key]] == minutes
            for key in ("test", "outcome", "unit", "failure_mode", "question", "minutes", "place"):
                if key == "choice" or key not in before.data:
                    continue
                assert after.data[key] == before.data[key], key
    assert seen == {"withdrawn", "took"}


def test_only_readings_stay_as_they_were_typed() -> None:
    for text in ("0.2 V", "4k7", "OL", "> 50 M", "230", "1,5 k", "200 mV", "-0.3"):
        assert is_reading(text), text
    for text in ("Smith", "the neighbour", "not sure 0.2", "12 Mill Lane", "0.2 V (Smith)", ""):
        assert not is_reading(text), text
    assert not is_reading("01761234567890"), "longer than any meter's display"
    # a telephone number, however it is grouped; meters of up to 60,000 counts (common practice)
    for text in ("017612345678", "030123456", "0176 1234567", "+4930123456", "1234567"):
        assert not is_reading(text), text
    for text in ("59.999", "0.00022 F", "1.2345 V", "> 50000"):
        assert is_reading(text), text


def test_every_kind_of_event_says_what_goes_out() -> None:
    assert IDS.keys() == set(KINDS) == FREE.keys()


def test_the_command(source: CaseStore, tmp_path: Path) -> None:
    runner = CliRunner()
    out = str(tmp_path / "out")
    command = ["cases", "--store", source.name, "export", out]
    refused = runner.invoke(app, command)
    assert isinstance(refused.exception, DiagnoseError)
    assert "--anonymous" in str(refused.exception)
    assert not (tmp_path / "out").exists()
    done = runner.invoke(app, [*command, "--anonymous"])
    assert done.exit_code == 0, done.output
    assert "60 cases" in done.stdout
    again = runner.invoke(app, [*command, "--anonymous"])
    assert isinstance(again.exception, DiagnoseError)
