"""One installation under one failure mode, compiled to arrays.

Parameters become samples (their tolerances and ranges), expressions become NumPy closures,
elements become branches of the three networks. A failure mode, a lifted lead and a bridge
are patches on it.
"""

from __future__ import annotations

import functools
import zlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnose.errors import fail
from diagnose.knowledge.expressions import Expression, ExpressionError, compile_expression
from diagnose.knowledge.records import DOMAINS, Domain, Element, Number, Patch, Signal
from diagnose.plant.compose import Installation, InstalledMode
from diagnose.plant.network import Network
from diagnose.plant.solver import DomainSolver

OPEN_OHMS: Mapping[Domain, float] = {"dc": 1e9, "ac": 1e9, "water": 1e6}
SHORT_OHMS = 0.02
BRIDGE_OHMS = 0.05
FREQUENCY = 50.0
SAMPLES = 12
CUT, JOINED = "cut", "joined"

Samples = NDArray[np.float64]
Draw = Callable[[str, Number, int], Samples]
"""How a number becomes samples: (full name, number, count) -> (count,)."""


@dataclass(frozen=True)
class Branch:
    """An element as a branch: conductance and constant current per sample, and when closed."""

    name: str
    kind: str
    domain: Domain
    index: int
    g: NDArray[Any]
    c: NDArray[Any]
    drop: Samples
    closed: Expression | None
    forced: str = ""


@dataclass(frozen=True)
class Watched:
    """A signal with its terminals resolved and its thresholds sampled."""

    name: str
    kind: str
    latches: bool
    nodes: tuple[int, ...]
    branches: tuple[int, ...]
    domain: Domain
    on_above: Samples
    off_below: Samples
    noise: str | None


@functools.lru_cache(maxsize=4096)
def draw(name: str, number: Number, count: int) -> Samples:
    """Stratified samples (count,) of a number's range; the order hangs on `name` alone."""
    u = _places(name, count)
    if number.log and number.low > 0:
        return np.exp(np.log(number.low) + u * (np.log(number.high) - np.log(number.low)))
    return number.low + u * (number.high - number.low)


@functools.lru_cache(maxsize=4096)
def _places(name: str, count: int) -> Samples:
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    return np.asarray((rng.permutation(count) + 0.5) / count)


class Circuit:
    """The compiled whole; see `diagnose.plant.behaviour` for how it settles."""

    def __init__(
        self,
        installation: Installation,
        mode: InstalledMode | None = None,
        bridges: Iterable[tuple[str, str]] = (),
        samples: int = SAMPLES,
        draw: Draw = draw,
    ) -> None:
        self.installation = installation
        self._draw = draw
        self.samples = samples
        self.mode = mode
        patch = mode.mode.patch if mode else Patch()
        unit = mode.unit if mode else ""
        self.patch = patch
        self._set = {self._own(k, unit): v for k, v in patch.set.items()}
        self._variables = {self._own(k, unit): v for k, v in patch.variables.items()}
        self._logic = {self._own(k, unit): v for k, v in patch.logic.items()}
        self._forced = {self._own(k, unit): CUT for k in patch.open}
        self._forced |= {self._own(k, unit): JOINED for k in patch.short}
        nets = dict(installation.nets)
        for first, second in patch.swap:
            a, b = self._own(first, unit), self._own(second, unit)
            for terminal in (a, b):
                if terminal not in nets:
                    raise fail("unknown-id", f"'{terminal}' is not a terminal", mode and mode.mode.place)
            nets[a], nets[b] = nets[b], nets[a]
        self.nets = nets
        self.parameters: dict[str, Samples] = {}
        self.constants: dict[str, Any] = {}
        self._collect()
        self.networks: dict[Domain, Network] = {}
        self.branches: dict[Domain, list[Branch]] = {}
        self.node: dict[str, int] = {}
        self._branch: dict[str, tuple[Domain, int]] = {}
        self.bridges = tuple(bridges)
        self._wire()
        self.solvers: dict[Domain, DomainSolver] = {}
        self.logic = self._compile_logic()
        self.watched = [
            self._watch(name, signal)
            for name in installation.instances
            for signal in installation.part_of(name).signals.values()
        ]
        pins = [w.nodes[0] for w in self.watched if w.kind == "pin"]
        for domain in DOMAINS:
            self.solvers[domain] = self._solver(domain, pins if domain == "dc" else [])

    def _solver(self, domain: Domain, pins: list[int]) -> DomainSolver:
        branches = self.branches[domain]
        kind = np.complex128 if domain == "ac" else np.float64
        shape = (len(branches), self.samples)
        g, c = np.zeros(shape, dtype=kind), np.zeros(shape, dtype=kind)
        for k, branch in enumerate(branches):
            g[k], c[k] = branch.g, branch.c
        return DomainSolver(self.networks[domain], g, c, OPEN_OHMS[domain], pins)

    def share(self, other: Circuit) -> None:
        """Use another circuit's solutions for every domain in which both are the same."""
        for domain, solver in other.solvers.items():
            if self.solvers[domain].same_as(solver):
                self.solvers[domain] = solver

    @staticmethod
    def _own(name: str, unit: str) -> str:
        return name if "." in name else f"{unit}.{name}"

    def _collect(self) -> None:
        """Sample every parameter, gather every variable."""
        known: set[str] = set()
        for name, instance in self.installation.instances.items():
            part = self.installation.part_of(name)
            for key, number in part.parameters.items():
                full = f"{name}.{key}"
                number = self._set.get(full, instance.set.get(key, number))
                self.parameters[full] = self._draw(full, number, self.samples)
                known.add(full)
            for key, value in {**part.variables, **instance.variables}.items():
                self.constants[f"{name}.{key}"] = self._variables.get(f"{name}.{key}", value)
                known.add(f"{name}.{key}")
            self.constants[f"{name}.self"] = name
        for full in (*self._set, *self._variables):
            if full not in known and full.partition(".")[0] in self.installation.instances:
                place = self.mode.mode.place if self.mode else None
                raise fail("unknown-id", f"'{full}' is neither a parameter nor a variable", place)

    def value(self, text: str, instance: str, place: Any = None) -> Samples:
        """A numeric field: a product of parameters and plain numbers, sampled."""
        result = np.ones(self.samples)
        for token in (t.strip() for t in text.split("*")):
            full = token if "." in token and token in self.parameters else f"{instance}.{token}"
            if full in self.parameters:
                result = result * self.parameters[full]
                continue
            try:
                result = result * float(token)
            except ValueError:
                raise fail(
                    "unknown-id", f"'{token}' is not a parameter of '{instance}'", place
                ) from None
        return result

    def _wire(self) -> None:
        names: dict[Domain, dict[str, int]] = {d: {} for d in DOMAINS}
        pairs: dict[Domain, list[tuple[int, int]]] = {d: [] for d in DOMAINS}
        self.branches = {d: [] for d in DOMAINS}

        def index(net: str, domain: Domain) -> int:
            if net == self.installation.type.references.get(domain):
                return -1
            return names[domain].setdefault(net, len(names[domain]))

        for net, domain in self.installation.domain.items():
            self.node[net] = index(net, domain)
        for name in self.installation.instances:
            for element in self.installation.part_of(name).elements.values():
                ends = [self.nets.get(f"{name}.{t}") for t in element.between]
                if None in ends:
                    raise fail(
                        "unknown-id",
                        f"element '{element.id}' names a terminal that the part does not have",
                        element.place,
                        self.installation.part_of(name).terminals,
                    )
                domain = self.installation.domain[str(ends[0])]
                branch = self._branch_of(name, element, domain, len(pairs[domain]))
                pairs[domain].append((self.node[str(ends[0])], self.node[str(ends[1])]))
                self.branches[domain].append(branch)
                self._branch[branch.name] = (domain, branch.index)
        zeros = np.zeros(self.samples)
        for first, second in self.bridges:
            a, b = self.net_of(first), self.net_of(second)
            domain = self.installation.domain[a]
            name = f"bridge:{first}:{second}"
            full = np.full(self.samples, 1.0 / BRIDGE_OHMS)
            branch = Branch(
                name, "resistor", domain, len(pairs[domain]), full, zeros, zeros, None, "bridge"
            )
            pairs[domain].append((self.node[a], self.node[b]))
            self.branches[domain].append(branch)
            self._branch[name] = (domain, branch.index)
        for domain in DOMAINS:
            self.networks[domain] = Network.of(tuple(names[domain]), pairs[domain])

    def _branch_of(self, name: str, element: Element, domain: Domain, index: int) -> Branch:
        full = f"{name}.{element.id}"

        def field(key: str, default: float) -> Samples:
            if key not in element.fields:
                return np.full(self.samples, default)
            return self.value(element.fields[key], name, element.place)

        zeros = np.zeros(self.samples)
        resistance = field("resistance", 0.01)
        drop = zeros
        g: NDArray[Any]
        c: NDArray[Any]
        if element.kind == "source":
            g = 1.0 / resistance
            c = -field("voltage", 0.0) * g
        elif element.kind == "diode":
            drop = field("drop", 0.7)
            g = 1.0 / resistance
            c = -drop * g
        elif element.kind == "impedance":
            g = 1.0 / (resistance + 1j * field("reactance", 0.0))
            c = zeros
        elif element.kind == "capacitor":
            omega = 2 * np.pi * FREQUENCY
            farads = np.maximum(field("capacitance", 0.0), 1e-15)
            g = 1.0 / (resistance - 1j / (omega * farads))
            c = zeros
        else:
            g, c = 1.0 / resistance, zeros
        closed = self.compile(element.closed, name, element.place) if element.closed else None
        forced = self._forced.get(full, "")
        if forced == JOINED:
            g, c, closed = np.full(self.samples, 1.0 / SHORT_OHMS), zeros, None
        return Branch(full, element.kind, domain, index, g, c, drop, closed, forced)

    def net_of(self, address: str) -> str:
        """The net behind ``instance.terminal`` or a net's own name."""
        if address in self.nets:
            return self.nets[address]
        if address in self.node:
            return address
        raise fail("unknown-id", f"'{address}' is neither a terminal nor a net here")

    def has_net(self, address: str) -> bool:
        return address in self.nets or address in self.node

    def branch(self, address: str) -> tuple[Domain, int]:
        """Domain and branch index of ``instance.element``."""
        if address not in self._branch:
            raise fail("unknown-id", f"'{address}' is not an element here")
        return self._branch[address]

    def has_branch(self, address: str) -> bool:
        return address in self._branch

    def compile(self, text: str, instance: str, place: Any = None) -> Expression:
        """Compile an expression written in the scope of `instance` ("" for none)."""
        known = self.installation.compiled
        key = (str(text), instance)
        if key not in known:
            try:
                known[key] = compile_expression(text, lambda name: self._resolve(name, instance))
            except ExpressionError as error:
                raise fail("expression", str(error), place) from error
        return known[key]

    def _resolve(self, name: str, instance: str) -> str:
        if name.startswith("held."):
            return "held." + self._resolve(name[5:], instance)
        if "." in name:
            owner, _, rest = name.partition(".")
            if owner in self.installation.instances and self._knows(owner, rest):
                return name
            if owner not in self.installation.instances:
                return f"absent.{name}"
            raise ExpressionError(f"'{name}' is not known: '{owner}' has no '{rest}'")
        if instance and self._knows(instance, name):
            return f"{instance}.{name}"
        return f"situation.{name}"

    def _knows(self, instance: str, name: str) -> bool:
        part = self.installation.part_of(instance)
        return (
            name in part.signals
            or name in part.logic
            or name in self.installation.instances[instance].logic
            or name in part.variables
            or name in self.installation.instances[instance].variables
            or name == "self"
        )

    def _compile_logic(self) -> list[tuple[str, Expression]]:
        """Every logic line, in an order in which each reads only earlier ones."""
        lines: dict[str, Expression] = {}
        for name, instance in self.installation.instances.items():
            part = self.installation.part_of(name)
            for key, text in {**part.logic, **instance.logic}.items():
                full = f"{name}.{key}"
                place = getattr(text, "place", part.place)
                lines[full] = self.compile(self._logic.get(full, text), name, place)
        for full, text in self._logic.items():
            if full not in lines:
                raise fail("unknown-id", f"'{full}' is not a line of logic", getattr(text, "place", None))
        ordered: list[tuple[str, Expression]] = []
        done: set[str] = set()
        while len(ordered) < len(lines):
            ready = [
                name
                for name, line in lines.items()
                if name not in done and all(n not in lines or n in done for n in line.names)
            ]
            if not ready:
                stuck = sorted(set(lines) - done)
                raise fail("logic-loop", f"lines of logic read one another: {', '.join(stuck)}")
            for name in ready:
                ordered.append((name, lines[name]))
                done.add(name)
        return ordered

    def _watch(self, name: str, signal: Signal) -> Watched:
        full = f"{name}.{signal.id}"
        nodes: tuple[int, ...] = ()
        branches: tuple[int, ...] = ()
        domain: Domain = "dc"
        if signal.kind in ("volts", "pin"):
            nets = [self.net_of(f"{name}.{t}") for t in signal.of]
            domain = self.installation.domain[nets[0]]
            nodes = tuple(self.node[net] for net in nets)
        else:
            found = [self.branch(f"{name}.{e}") for e in signal.of]
            domain = found[0][0]
            branches = tuple(index for _, index in found)
        on = self.value(signal.on_above or "0", name, signal.place)
        off = self.value(signal.off_below, name, signal.place) if signal.off_below else on
        noise = f"{full}_noise"
        known = self.installation.part_of(name).logic
        return Watched(
            full,
            signal.kind,
            signal.latches,
            nodes,
            branches,
            domain,
            on,
            off,
            noise if f"{signal.id}_noise" in {**known, **self.installation.instances[name].logic} else None,
        )
