"""One installation under one or several faults, compiled to arrays.

Parameters become samples (their tolerances and ranges), expressions become NumPy closures,
elements become branches of the three networks. Failure modes are patches laid side by side
(see `diagnose.plant.lanes`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnose.errors import fail
from diagnose.knowledge.expressions import Expression, ExpressionError, code, compile_expression
from diagnose.knowledge.records import DOMAINS, Domain, Element, Signal
from diagnose.plant.compiled import Branch, LogicLine, Watched
from diagnose.plant.compose import Fault, Installation
from diagnose.plant.elements import REFERENCE_FREQUENCY, Curve, law_of
from diagnose.plant.lanes import Draw, Lanes, Samples, draw
from diagnose.plant.network import Network
from diagnose.plant.solver import Coupling, DomainSolver

OPEN_OHMS: Mapping[Domain, float] = {"dc": 1e9, "ac": 1e9, "water": 1e6}
SHORT_OHMS = 0.02
BRIDGE_OHMS = 0.05
SAMPLES = 6


def bridge_name(first: str, second: str) -> str:
    """The name of the branch that bridges two points."""
    return f"bridge:{first}:{second}"


class Circuit:
    """The compiled whole; see `diagnose.plant.behaviour` for how it settles."""

    def __init__(
        self,
        installation: Installation,
        modes: Fault | Sequence[Fault | None] | None = None,
        bridges: Iterable[tuple[str, str]] = (),
        samples: int = SAMPLES,
        draw: Draw = draw,
    ) -> None:
        several = list(modes) if isinstance(modes, Sequence) else [modes]
        self.installation = installation
        self.lanes = Lanes(installation, several, samples, draw)
        self.nets = self.lanes.nets
        self.parameters: dict[str, Samples] = {}
        self.constants: dict[str, Any] = {}
        self._collect()
        self.frequency = self._frequency()
        self.curves: dict[Domain, dict[int, Curve]] = {d: {} for d in DOMAINS}
        self._crossed: list[tuple[str, list[str], NDArray[Any]]] = []
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
        shape = (len(branches), self.lanes.count)
        g, c = np.zeros(shape, dtype=kind), np.zeros(shape, dtype=kind)
        for k, branch in enumerate(branches):
            g[k], c[k] = branch.g, branch.c
        couplings = self._couplings() if domain == "ac" else ()
        extra = (couplings, self.curves[domain])
        return DomainSolver(self.networks[domain], g, c, OPEN_OHMS[domain], pins, *extra)

    def _couplings(self) -> list[Coupling]:
        """What the phases of a rotor add to one another's currents."""
        found = []
        for full, others, cross in self._crossed:
            own = self._branch[full][1]
            for other, sign in zip(others, (1.0, -1.0), strict=True):
                found.append(Coupling(own, self.branch(other)[1], sign * cross))
        return found

    def _frequency(self) -> Samples:
        """The frequency of the mains in every lane, in Hz: its source's, where one gives it."""
        given = [
            f"{name}.frequency"
            for name in self.installation.instances
            if "frequency" in self.installation.part_of(name).parameters
        ]
        if not given:
            return np.full(self.lanes.count, REFERENCE_FREQUENCY)
        return self.parameters[given[0]]

    def share(self, healthy: Circuit) -> None:
        """Use the healthy circuit's solutions in every lane and domain that is unchanged."""
        for domain, solver in healthy.solvers.items():
            self.solvers[domain].alias(solver)

    def _collect(self) -> None:
        """Sample every parameter, gather every variable."""
        known: set[str] = set()
        for name, instance in self.installation.instances.items():
            part = self.installation.part_of(name)
            for key, number in part.parameters.items():
                full = f"{name}.{key}"
                self.parameters[full] = self.lanes.number(full, instance.set.get(key, number))
                known.add(full)
            for key, value in {**part.variables, **instance.variables}.items():
                full = f"{name}.{key}"
                self.constants[full] = self.lanes.variable(full, value)
                known.add(full)
            self.constants[f"{name}.self"] = np.full(self.lanes.count, code(name))
        self.lanes.check_names(known, self.installation.instances)

    def value(self, text: str, instance: str, place: Any = None) -> Samples:
        """A numeric field: a product of parameters and plain numbers, sampled."""
        result = np.ones(self.lanes.count)
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
        zeros = np.zeros(self.lanes.count)
        for first, second in self.bridges:
            a, b = self.net_of(first), self.net_of(second)
            domain = self.installation.domain[a]
            name = bridge_name(first, second)
            full = np.full(self.lanes.count, 1.0 / BRIDGE_OHMS)
            branch = Branch(
                name, "resistor", domain, len(pairs[domain]), full, zeros, zeros, None, True
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
                return np.full(self.lanes.count, default)
            return self.value(element.fields[key], name, element.place)

        law = law_of(element, field, self.frequency)
        g, c = law.g, law.c
        closed = self.compile(element.closed, name, element.place) if element.closed else None
        joined = self.lanes.joined.get(full)
        if joined is not None:
            g, c = np.where(joined, 1.0 / SHORT_OHMS, g), np.where(joined, 0.0, c)
        cut = self.lanes.cut.get(full)
        if law.curve is not None:
            self.curves[domain][index] = law.curve
        if law.cross is not None:
            self._crossed.append((full, [f"{name}.{e}" for e in element.partners], law.cross))
        return Branch(full, element.kind, domain, index, g, c, law.drop, closed, False, cut, joined)

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

    def _compile_logic(self) -> list[LogicLine]:
        """Every logic line, in an order in which each reads only earlier ones."""
        lines: dict[str, LogicLine] = {}
        for name, instance in self.installation.instances.items():
            part = self.installation.part_of(name)
            for key, text in {**part.logic, **instance.logic}.items():
                full = f"{name}.{key}"
                base = self.compile(text, name, getattr(text, "place", part.place))
                changed = tuple(
                    (k, self.compile(other, name, self.lanes.place(k)))
                    for k, other in self.lanes.logic.get(full, ())
                )
                lines[full] = LogicLine(full, base, changed)
        for full, texts in self.lanes.logic.items():
            if full not in lines:
                place = self.lanes.place(texts[0][0])
                raise fail("unknown-id", f"'{full}' is not a line of logic", place)
        ordered: list[LogicLine] = []
        done: set[str] = set()
        while len(ordered) < len(lines):
            ready = [
                line
                for name, line in lines.items()
                if name not in done and all(n not in lines or n in done for n in line.names)
            ]
            if not ready:
                stuck = sorted(set(lines) - done)
                raise fail("logic-loop", f"lines of logic read one another: {', '.join(stuck)}")
            for line in ready:
                ordered.append(line)
                done.add(line.name)
        return ordered

    def _watch(self, name: str, signal: Signal) -> Watched:
        full = f"{name}.{signal.id}"
        nodes: tuple[int, ...] = ()
        branches: tuple[int, ...] = ()
        domain: Domain = "dc"
        if signal.kind in ("volts", "pin", "share", "sequence"):
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
            noise
            if f"{signal.id}_noise" in {**known, **self.installation.instances[name].logic}
            else None,
        )
