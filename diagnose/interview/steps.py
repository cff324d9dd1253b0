"""What the interview can ask for, and what it can conclude: values only, nothing printed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

STATUSES = ("concluded", "ambiguous", "stopped", "handed_over")


@dataclass(frozen=True)
class Option:
    """One answer that may be chosen."""

    id: str
    title: str


@dataclass(frozen=True)
class Split:
    """One outcome of a test: how likely it is and which units it would leave in front.

    `leaves`: a unit's likeliest failure mode in words, the unit's probability, that mode's.
    """

    outcome: str
    title: str
    probability: float
    leaves: tuple[tuple[str, float, float], ...]


@dataclass(frozen=True)
class Why:
    """Why this test: its information (bits), its minutes, and what each outcome would mean."""

    gain: float
    minutes: float
    splits: tuple[Split, ...]
    instead: tuple[tuple[str, float], ...] = ()
    method: str = ""
    """``exact`` or ``rollout`` where it was chosen by looking ahead, else ""."""
    margin: float = 0.0
    """Minutes that the runner-up is expected to cost more: at least, where exact."""
    saves: float = 0.0
    """Minutes of repair in vain that it is expected to save, where the part is found already."""


@dataclass(frozen=True)
class Step:
    """One thing to ask or to do.

    `kind` is ``question``, ``act``, ``test``, ``conclusion``, ``verify`` or ``done``.
    """

    kind: str
    id: str
    title: str
    text: str = ""
    options: tuple[Option, ...] = ()
    unit: str = ""
    minutes: float = 0.0
    place: str = ""
    state: str = ""
    instrument: str = ""
    points: tuple[int, ...] = ()
    """Numbers of the test points, as on the picture of the circuit."""
    healthy: str = ""
    cautions: tuple[str, ...] = ()
    again: bool = False
    why: Why | None = None
    conclusion: Conclusion | None = None
    open_checks: tuple[OpenCheck, ...] = ()
    own: float | None = None
    """Minutes of the step itself, without the way there; None where the two are not parted."""
    walk: float = 0.0
    way: str = ""
    """The place at the other end of a walk from or to the panel, and its minutes."""
    towards: str = ""
    """Of a change of state: the title of the test that needs it."""


@dataclass(frozen=True)
class Evidence:
    """One finding and how strongly it speaks for (+) or against (-) a cause, in bits."""

    test: str
    title: str
    outcome: str
    bits: float


@dataclass(frozen=True)
class Check:
    """One thing to verify after the repair; `cautions` are ids.

    `state` is an exposure (any | energised | live | dead), `by` is ``anyone``, ``instructed`` or
    ``licensed``: the least qualification, and `instrument` what it takes. It fails where one
    of the `complaints` shows, or one of the tests `like` it has an outcome other than those
    given for it.
    """

    id: str
    title: str
    how: str
    cautions: tuple[str, ...] = ()
    complaints: tuple[str, ...] = ()
    like: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    state: str = "energised"
    by: str = "anyone"
    instrument: str = "none"
    least: str = ""
    """The smallest reading with which it passes, where it is answered with one."""


@dataclass(frozen=True)
class OpenCheck:
    """A check that was not made, and who can make it, with what or when."""

    check: str
    title: str
    by: str


@dataclass(frozen=True)
class Conclusion:
    """What the interview ends with."""

    status: str
    unit: str
    unit_title: str
    failure_mode: str
    title: str
    probability: float
    mode_probability: float
    ranking: tuple[tuple[str, str, float], ...]
    supports: tuple[Evidence, ...] = ()
    against: tuple[Evidence, ...] = ()
    remedy: str = ""
    spares: tuple[str, ...] = ()
    root_causes: tuple[str, ...] = ()
    prevention: str = ""
    licensed: bool = False
    reasons: tuple[str, ...] = ()
    doubt: tuple[str, ...] = ()
    recommendations: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    checks: tuple[Check, ...] = ()
    repair_minutes: float = 0.0
    details: Mapping[str, str] = field(default_factory=dict)

    @property
    def early(self) -> bool:
        """Whether it ended before anything was found: nothing is suspected for a reason yet."""
        found = self.supports or self.against
        return self.status in ("stopped", "handed_over") and not found and self.probability < 0.5
