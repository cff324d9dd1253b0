"""Typed, frozen records of the knowledge base: what the YAML files say, nothing computed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from diagnose.errors import Place
from diagnose.knowledge.asked_records import Caution, Complaint, Question, Sign, Word
from diagnose.knowledge.built_records import Conflict, Designed, Preset, Situation
from diagnose.knowledge.day_records import DayPlan
from diagnose.knowledge.overlay_records import Overlay
from diagnose.knowledge.rule_records import Rule

Domain = Literal["dc", "ac", "water"]
DOMAINS: tuple[Domain, ...] = ("dc", "ac", "water")
SOURCE_KINDS = ("standard", "handbook", "datasheet", "common practice", "judgement", "memory")
MODE_CLASSES = ("wear", "commissioning", "damage", "as_designed")
ELEMENT_KINDS = (
    "resistor",
    "source",
    "current",
    "diode",
    "capacitor",
    "impedance",
    "rotor",
    "curve",
)
STATES = ("energised", "live", "dead", "any")
PLACES = ("panel", "roof", "sump", "pump", "anywhere", "telephone")
"""Where a test is made; what is at the telephone is asked of the customer and never on site."""
QUESTION_KINDS = ("safety", "phone", "history", "person", "site")
"""`phone`: asked by telephone only, bears on how urgent it is."""


@dataclass(frozen=True)
class Source:
    """A publication or a kind of judgement that numbers and rules cite."""

    id: str
    title: str
    kind: str
    edition: str = ""
    clause: str = ""
    read: str = ""
    place: Place | None = None


@dataclass(frozen=True)
class Number:
    """A quantity in base units: nominal value and the range it may take."""

    nominal: float
    low: float
    high: float
    unit: str
    source: str
    log: bool = False
    place: Place | None = None


@dataclass(frozen=True)
class Element:
    """A two-terminal element; numeric fields name a parameter of the part.

    `phase` turns a source (two: L2); `partners`: a rotor's other phases as it turns.
    """

    id: str
    kind: str
    between: tuple[str, str]
    fields: Mapping[str, str]
    closed: str | None = None
    place: Place | None = None
    phase: str = ""
    partners: tuple[str, ...] = ()


@dataclass(frozen=True)
class Signal:
    """A yes/no drawn from the solved networks by a threshold.

    kind: ``volts`` (two terminals), ``amps`` (one element), ``pin`` (logic input: pin,
    ground, supply), ``share`` (analogue input: pin, ground, reference; the voltage as a share of
    the reference), ``residual`` (two elements or more: vector sum of their currents),
    ``torque`` (two elements: |Im(conj(I1) I2)|, A²) or ``sequence`` (three terminals: their
    positive less their negative sequence, in V).
    """

    id: str
    kind: str
    of: tuple[str, ...]
    on_above: str = ""
    off_below: str = ""
    latches: bool = False
    place: Place | None = None


@dataclass(frozen=True)
class Patch:
    """What a failure mode, a variant or a test set-up changes."""

    set: Mapping[str, Number] = field(default_factory=dict)
    variables: Mapping[str, str] = field(default_factory=dict)
    logic: Mapping[str, str] = field(default_factory=dict)
    open: tuple[str, ...] = ()
    short: tuple[str, ...] = ()
    swap: tuple[tuple[str, str], ...] = ()
    always: Mapping[str, str] = field(default_factory=dict)
    found: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class FailureMode:
    """One way in which a part type fails; `no_test` says why none detects it, where none does."""

    id: str
    title: str
    mode_class: str
    rate: Number
    patch: Patch
    signs: Mapping[str, str]
    remedy: str
    spares: tuple[str, ...] = ()
    root_causes: tuple[str, ...] = ()
    prevention: str = ""
    intermittent: tuple[str, ...] = ()
    needs: str = ""
    repair: str = "replace"
    repair_state: str = "dead"  # or any: put right with every cover closed
    licensed: bool = False
    status: str = "draft"
    no_test: str = ""
    place: Place | None = None


@dataclass(frozen=True)
class Part:
    """A part type: how it is built, how it behaves, how it fails."""

    id: str
    title: str
    domain: Domain | None
    terminals: Mapping[str, Domain]
    parameters: Mapping[str, Number]
    variables: Mapping[str, str]
    elements: Mapping[str, Element]
    signals: Mapping[str, Signal]
    logic: Mapping[str, str]
    failure_modes: Mapping[str, FailureMode]
    place: Place | None = None


@dataclass(frozen=True)
class Instance:
    """A part as fitted in an installation; every instance is one replaceable unit."""

    id: str
    part: str
    title: str
    where: str
    wires: Mapping[str, str]
    logic: Mapping[str, str]
    roles: Mapping[str, str]
    set: Mapping[str, Number]
    variables: Mapping[str, str]
    shown: bool = True
    domain: Domain | None = None
    """The network it is fitted in, where its part is made for another one."""
    place: Place | None = None


@dataclass(frozen=True)
class VariantChange:
    """What choosing one variant does to the base installation."""

    title: str
    add: Mapping[str, Instance]
    remove: tuple[str, ...]
    wires: Mapping[str, Mapping[str, str]]
    logic: Mapping[str, Mapping[str, str]]
    set: Mapping[str, Mapping[str, Number]]
    variables: Mapping[str, Mapping[str, str]]


@dataclass(frozen=True)
class Variant:
    """One way in which installations of the family differ.

    `by_phone` asks a customer, where a customer can know it; "" where only who opens the panel can.
    """

    id: str
    title: str
    ask: str
    default: str
    choices: Mapping[str, VariantChange]
    by_phone: str = ""
    place: Place | None = None


@dataclass(frozen=True)
class InstallationType:
    """The family: base instances, variants, situations."""

    id: str
    title: str
    parts: Mapping[str, Instance]
    references: Mapping[str, str]
    variants: Mapping[str, Variant]
    conflicts: tuple[Conflict, ...]
    situations: Mapping[str, Situation]
    signals: Mapping[str, str]
    presets: Mapping[str, Preset]
    path: tuple[str, ...]
    designed: tuple[Designed, ...] = ()
    standard: bool = False
    """Whether this is the type that is meant where none is named."""
    place: Place | None = None


@dataclass(frozen=True)
class Outcome:
    """One bin of a reading, or one choice of an observation."""

    id: str
    title: str
    below: float | None = None
    when: str = ""


@dataclass(frozen=True)
class TestSpec:
    """A test as written; templates (`each`) become one test per instance of a part type.

    `customer`: the customer can do it; `by_phone` is then what to say by telephone. `hands`:
    to look (state `any`) is to touch something too.
    """

    __test__ = False

    id: str
    title: str
    do: str
    kind: str
    of: tuple[str, ...]
    unit: str
    outcomes: tuple[Outcome, ...]
    situation: str
    values: Mapping[str, str]
    lift: tuple[str, ...]
    bridge: tuple[str, ...]
    place_at: str
    state: str
    instrument: str
    minutes: str
    answering: str
    each: str
    needs: str
    accuracy: str
    cautions: tuple[str, ...]
    customer: bool
    by: str
    source: str
    probes: tuple[str, ...] = ()
    by_phone: str = ""
    hands: bool = False
    place: Place | None = None


@dataclass(frozen=True)
class Scale:
    """Words that stand for numbers."""

    id: str
    title: str
    words: Mapping[str, Number]


@dataclass(frozen=True, repr=False)
class KnowledgeBase:
    """Everything the knowledge files say; `files` has the digest of each group (``rules``, ...)."""

    root: str
    sources: Mapping[str, Source]
    scales: Mapping[str, Scale]
    parts: Mapping[str, Part]
    installations: Mapping[str, InstallationType]
    tests: Mapping[str, TestSpec]
    signs: Mapping[str, Sign]
    complaints: Mapping[str, Complaint]
    cautions: Mapping[str, Caution]
    questions: Mapping[str, Question]
    rules: Mapping[str, Rule]
    numbers: tuple[Number, ...]
    digest: str
    overlay: Overlay | None = None
    days: Mapping[str, DayPlan] = field(default_factory=dict)
    version: str = ""
    files: Mapping[str, str] = field(default_factory=dict)
    words: Mapping[str, Word] = field(default_factory=dict)

    def word(self, scale: str, word: str) -> float:
        """The value behind a word of a scale, in base units."""
        return self.scales[scale].words[word].nominal
