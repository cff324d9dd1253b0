"""Reading installation types: instances, variants, situations."""

from __future__ import annotations

from typing import Any

from diagnose.knowledge.built_records import DOES, Conflict, Designed, Preset, Situation
from diagnose.knowledge.read_parts import NumberReader
from diagnose.knowledge.reading import Mapping, Reader, Text
from diagnose.knowledge.records import (
    DOMAINS,
    InstallationType,
    Instance,
    Number,
    Variant,
    VariantChange,
)


def _text_map(value: Any, numbers: NumberReader, what: str) -> dict[str, str]:
    if not isinstance(value, Mapping):
        numbers.problem(value, f"{what} must be a mapping", "structure")
        return {}
    for name, inner in value.items():
        if not isinstance(inner, Text):
            numbers.problem(inner, f"{what}: '{name}' must be text", "structure")
    return {k: v for k, v in value.items() if isinstance(v, Text)}


def _read_instance(name: str, node: Any, numbers: NumberReader) -> Instance:
    what = f"instance '{name}'"
    reader = Reader(node, numbers.issues, what)
    network = reader.choice("domain", DOMAINS) if reader.has("domain") else ""
    instance = Instance(
        id=name,
        part=reader.text("part"),
        title=reader.text("title"),
        where=reader.choice("where", ("panel", "roof", "sump", "pump", "supply", "water"), "panel"),
        wires=reader.text_map("wires"),
        logic=reader.text_map("logic"),
        roles=reader.text_map("roles"),
        set={k: numbers.read(v, f"{what}: {k}") for k, v in reader.items("set")},
        variables=reader.text_map("variables"),
        shown=reader.text("shown", "yes") == "yes",
        domain=next((domain for domain in DOMAINS if domain == network), None),
        place=reader.place,
    )
    reader.done()
    return instance


def _read_change(name: str, node: Any, numbers: NumberReader) -> VariantChange:
    what = f"choice '{name}'"
    reader = Reader(node, numbers.issues, what)
    sets: dict[str, dict[str, Number]] = {}
    for instance, values in reader.items("set"):
        inner = Reader(values, numbers.issues, f"{what}: set: {instance}").node
        sets[instance] = {k: numbers.read(v, f"{what}: {k}") for k, v in inner.items()}

    def nested(key: str) -> dict[str, dict[str, str]]:
        return {k: _text_map(v, numbers, f"{what}: {k}") for k, v in reader.items(key)}

    change = VariantChange(
        title=reader.text("title"),
        add={k: _read_instance(k, v, numbers) for k, v in reader.items("add")},
        remove=reader.texts("remove"),
        wires=nested("wires"),
        logic=nested("logic"),
        set=sets,
        variables=nested("variables"),
    )
    reader.done()
    return change


def _read_variant(name: str, node: Any, numbers: NumberReader) -> Variant:
    reader = Reader(node, numbers.issues, f"variant '{name}'")
    choices = {str(k): _read_change(k, v, numbers) for k, v in reader.items("choices")}
    variant = Variant(
        id=name,
        title=reader.text("title"),
        ask=reader.text("ask"),
        default=reader.choice("default", choices or ("?",)),
        choices=choices,
        by_phone=reader.text("by_phone", ""),
        place=reader.place,
    )
    reader.done()
    return variant


def _read_situation(name: str, node: Any, numbers: NumberReader) -> Situation:
    reader = Reader(node, numbers.issues, f"situation '{name}'")
    situation = Situation(
        id=name,
        title=reader.text("title"),
        values=reader.text_map("values"),
        after=reader.text("after", ""),
        found=reader.text("as_found", "no") == "yes",
        real_level=reader.text("real_level", "no") == "yes",
        place=reader.place,
    )
    reader.done()
    return situation


def _read_designed(node: Any, numbers: NumberReader) -> Designed:
    reader = Reader(node, numbers.issues, "designed")
    designed = Designed(
        situation=reader.text("situation"),
        does=reader.choice("does", DOES),
        holds=reader.text("holds"),
        needs=reader.text("needs", ""),
        place=reader.place,
    )
    reader.done()
    return designed


def _read_preset(name: str, node: Any, numbers: NumberReader) -> Preset:
    reader = Reader(node, numbers.issues, f"preset '{name}'")
    preset = Preset(
        id=name,
        title=reader.text("title"),
        met=reader.text("met"),
        variants=_text_map(reader.mapping("variants"), numbers, f"preset '{name}': variants"),
        place=reader.place,
    )
    reader.done()
    return preset


def read_installation(node: Any, numbers: NumberReader) -> InstallationType:
    """One installation type from the content of its file."""
    reader = Reader(node, numbers.issues, "installation")
    name = reader.text("id")
    reader.what = f"installation '{name}'"
    conflicts = []
    for child in reader.children("conflicts"):
        inner = Reader(child, numbers.issues, "conflict")
        conflicts.append(Conflict(inner.text_map("when"), inner.text("reason")))
        inner.done()
    installation = InstallationType(
        id=name,
        title=reader.text("title"),
        parts={k: _read_instance(k, v, numbers) for k, v in reader.items("parts")},
        references=reader.text_map("references"),
        variants={k: _read_variant(k, v, numbers) for k, v in reader.items("variants")},
        conflicts=tuple(conflicts),
        situations={k: _read_situation(k, v, numbers) for k, v in reader.items("situations")},
        signals=reader.text_map("signals"),
        presets={k: _read_preset(k, v, numbers) for k, v in reader.items("presets")},
        path=reader.texts("path"),
        standard=reader.text("standard", "no") == "yes",
        designed=tuple(_read_designed(n, numbers) for n in reader.children("designed")),
        place=reader.place,
    )
    reader.done()
    return installation
