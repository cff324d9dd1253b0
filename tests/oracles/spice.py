"""An independent circuit simulator for the same circuits: ngspice, run as a program.

Each settled circuit is written anew from the parts' own elements (never from
`diagnose.plant.network`), with its switches as they settled, and solved by ngspice: direct
current by ``.op``, the mains side by ``.ac`` at its frequency with complex node voltages, the water
side as a direct-current circuit (volts for metres, amperes for litres a minute).

What differs from the plant on purpose:

- Diodes are exponential, not a fixed drop that is on or off. The fit (junction laws: textbook
  Shockley equation; the currents are judgement): the exponential carries the part's drop at a
  typical current, 2 mA for anything above 1.2 V (indicators, optocouplers), 100 mA for silicon,
  10 L/min for a valve; its slope n·Vt is a twentieth of the drop, at most 52 mV a junction
  (n = 2), one junction for each 2.2 V; the part's resistance stays in series. Whether a diode
  conducts is found by ngspice, not taken from the plant.
- Sources are ideal sources behind resistors, impedances are a resistor and an inductor (what an
  ohmmeter sees of them is the resistor), capacitors are capacitors.
- The phases of a three-phase rotor are coupled by controlled sources over R-L branches of their
  own, the factor j by an inductor of 1 ohm; a curve is a behavioural source with a square root.
- Meters are there: 10 Mohm or 3 kohm across the points; an ohmmeter is 1 mA that ends at 0.25 V
  (1 mA with 250 ohm beside it), so that it lights no diode; an insulation tester is 500 V behind
  100 kohm; capacitance is a current of 1 A at the mains frequency into the dead circuit.

What is the same because it is the model, not the method: an open contact is 1 Gohm (1 Mohm for
water), a short 0.02 ohm, a jumper 0.05 ohm, and 10 Gohm lead from every node to the reference. So
much, 1 Gohm or 1 Mohm, lies beside every diode too: what hangs between blocked diodes and open
contacts alone (the water shut in between a check valve and a shut gate valve) has no head of its
own, but the one in which these leave it; beside a diode that conducts it counts for nothing.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.expressions import Expression
from diagnose.knowledge.records import Domain, Element
from diagnose.plant.circuit import BRIDGE_OHMS, OPEN_OHMS, SHORT_OHMS, Circuit
from diagnose.plant.compose import Fault
from diagnose.plant.elements import CURRENT_OHMS
from diagnose.plant.lanes import patch_of
from tests.oracles.spice_machines import REACTANCE_AT, curve, rotor

PROGRAM = "ngspice"
PHASE_DEGREES = {"": 0, "one": 0, "two": -120, "three": 120}
METER_OHMS, LOZ_OHMS = 10e6, 3e3
"""Input resistance of an ordinary multimeter and of a low-impedance range (makers' notes)."""
NODE_LEAK_OHMS = 1e10
VT = 0.0258650
"""Thermal voltage at 27 °C (kT/q), V."""
BLOCK = 60
"""Circuits in one ngspice run: start-up of the program costs more than their solution."""

Complex = NDArray[np.complex128]
Analysis = Literal["op", "ac"]


def missing() -> str:
    """Why ngspice cannot be run here; empty when it can."""
    return "" if shutil.which(PROGRAM) else f"the program {PROGRAM} is not installed"


@dataclass(frozen=True)
class Question:
    """One circuit to be solved; ``#`` in the text stands for its number in the deck."""

    analysis: Analysis
    text: str
    frequency: float = REACTANCE_AT


@dataclass(frozen=True)
class Solution:
    """Node voltages (nodes,) in the writer's order, and currents by metered element."""

    v: Complex
    amps: Mapping[str, complex]
    frequency: float = REACTANCE_AT


@dataclass(frozen=True)
class Probe:
    """An instrument across two nets: what it is, and where (None: the reference)."""

    kind: Literal["volts", "ohms", "insulation", "farads", "thevenin"]
    p: str
    q: str | None
    ohms: float = 0.0


def diode_model(drop: float, resistance: float, water: bool) -> str:
    """The parameters of the exponential diode that carries `drop` at its typical current."""
    typical = 10.0 if water else 2e-3 if drop > 1.2 else 0.1
    junctions = int(np.ceil(drop / 2.2))
    slope = min(drop / 20, 2 * VT * junctions)
    saturation = typical / np.expm1(drop / slope)
    return f"is={saturation:.9g} n={slope / VT:.9g} rs={resistance:.12g}"


def _patched(fault: Fault | None, how: Literal["open", "short"]) -> set[str]:
    """Full names of the elements that a fault opens or shorts."""
    names: tuple[str, ...] = getattr(patch_of(fault), how)
    return set(names)


class SpiceWriter:
    """Writes a compiled circuit for ngspice, per lane: one failure mode, one sample."""

    def __init__(self, circuit: Circuit, metered: Iterable[str]) -> None:
        self.circuit = circuit
        self.metered = set(metered)
        self.nodes: dict[Domain, dict[str, int]] = {"dc": {}, "ac": {}, "water": {}}
        self.names: dict[Domain, list[str]] = {"dc": [], "ac": [], "water": []}
        self.number: dict[str, int] = {}
        self._lines: dict[tuple[Domain, int, bool], list[tuple[str, str]]] = {}
        self._kinds: dict[str, Element] = {}
        self._closed: dict[str, Expression | None] = {}
        self._values: dict[str, dict[str, NDArray[np.float64]]] = {}
        self._cut = [_patched(mode, "open") for mode in circuit.lanes.modes]
        self._joined = [_patched(mode, "short") for mode in circuit.lanes.modes]
        self.patched = set().union(*self._cut, *self._joined)
        installation = circuit.installation
        self.references = installation.type.references
        for net, domain in installation.domain.items():
            if net != self.references.get(domain):
                self.nodes[domain].setdefault(net, len(self.nodes[domain]))
        self.ends: dict[str, tuple[str, str]] = {}
        for name in installation.instances:
            for element in installation.part_of(name).elements.values():
                full = f"{name}.{element.id}"
                a, b = (circuit.nets[f"{name}.{t}"] for t in element.between)
                self._add(full, a, b)
                self._kinds[full] = element
                text = element.closed
                self._closed[full] = circuit.compile(text, name) if text else None
                self._values[full] = {
                    key: circuit.value(text, name) for key, text in element.fields.items()
                }
        for first, second in circuit.bridges:
            a, b = circuit.net_of(first), circuit.net_of(second)
            self._add(f"bridge:{first}:{second}", a, b)

    def kind(self, full: str) -> str:
        """The kind of an element; a jumper is a resistor."""
        return "resistor" if full.startswith("bridge:") else self._kinds[full].kind

    def cut(self, full: str, lane: int) -> bool:
        """Whether the lane's failure mode holds an element open."""
        return full in self._cut[lane // self.circuit.lanes.samples]

    def joined(self, full: str, lane: int) -> bool:
        """Whether the lane's failure mode shorts an element."""
        return full in self._joined[lane // self.circuit.lanes.samples]

    def closed(self, full: str) -> Expression | None:
        """The expression that closes an element; None where it always is."""
        return self._closed[full]

    def _add(self, full: str, a: str, b: str) -> None:
        self.number[full] = len(self.number)
        self.ends[full] = (a, b)
        self.names[self.circuit.installation.domain[a]].append(full)

    def node(self, net: str | None) -> str:
        """How a net is written."""
        if net is None:
            return "0"
        domain = self.circuit.installation.domain[net]
        return "0" if net == self.references.get(domain) else f"n#_{self.nodes[domain][net]}"

    def question(
        self, domain: Domain, lane: int, on: NDArray[np.bool_], probe: Probe | None = None
    ) -> Question:
        """The circuit of one domain; `on` says of each element in `names` whether it is closed.

        A diode that is not closed is taken out only where it is cut or lifted: pass True.
        """
        direct = domain != "ac" or (probe is not None and probe.kind in ("ohms", "insulation"))
        dead = probe is not None and probe.kind == "farads"
        lines = self._pairs(domain, lane, dead)
        chosen = [pair[0 if closed else 1] for pair, closed in zip(lines, on, strict=True)]
        chosen += [f"rz#_{k} n#_{k} 0 {NODE_LEAK_OHMS:g}" for k in range(len(self.nodes[domain]))]
        if probe is not None:
            chosen += self._instrument(probe)
        hertz = float(self.circuit.frequency[lane])
        return Question("op" if direct else "ac", "\n".join(chosen), hertz)

    def _instrument(self, probe: Probe) -> list[str]:
        p, q = self.node(probe.p), self.node(probe.q)
        if p == q:
            return []
        if probe.kind == "volts":
            return [f"rm# {p} {q} {probe.ohms:g}"]
        if probe.kind == "ohms":
            return [f"ip# {q} x# dc 1e-3", f"rp# x# {q} 250", f"vp# x# {p} 0"]
        if probe.kind == "insulation":
            return [f"vs# x# {q} dc 500", "rp# x# y# 100k", f"vp# y# {p} 0"]
        size = "1" if probe.kind == "farads" else "1e-9"
        return [f"ip# {q} {p} dc {size} ac {size}"]

    def _pairs(self, domain: Domain, lane: int, dead: bool) -> list[tuple[str, str]]:
        key = (domain, lane, dead)
        if key not in self._lines:
            self._lines[key] = [self._pair(f, domain, lane, dead) for f in self.names[domain]]
        return self._lines[key]

    def _pair(self, full: str, domain: Domain, lane: int, dead: bool) -> tuple[str, str]:
        """What is written for an element when closed, and when open."""
        a, b = (self.node(net) for net in self.ends[full])
        e = self.number[full]
        meter = ""
        if full in self.metered:
            meter, a = f"va#_{e} {a} m#_{e} 0\n", f"m#_{e}"
        opened = f"{meter}r#_{e} {a} {b} {OPEN_OHMS[domain]:g}"
        if full.startswith("bridge:"):
            return f"{meter}r#_{e} {a} {b} {BRIDGE_OHMS:g}", opened
        if self.joined(full, lane):
            return f"{meter}r#_{e} {a} {b} {SHORT_OHMS:g}", opened
        values = {key: float(x[lane]) for key, x in self._values[full].items()}
        r, kind = values.get("resistance", 0.01), self._kinds[full].kind
        if kind == "source":
            volts = 0.0 if dead else values["voltage"]
            turned = PHASE_DEGREES[self._kinds[full].phase]
            size = f"dc 0 ac {volts:.17g} {turned}" if domain == "ac" else f"dc {volts:.17g}"
            body = f"vs#_{e} {a} s#_{e} {size}\nr#_{e} s#_{e} {b} {r:.17g}"
        elif kind == "current":
            amps = 0.0 if dead else values["amps"]
            ohms = values.get("resistance", CURRENT_OHMS)
            body = f"i#_{e} {a} {b} dc {amps:.17g}\nr#_{e} {a} {b} {ohms:.17g}"
        elif kind == "diode":
            if domain == "ac":
                raise ValueError(f"{full}: a diode on the mains side has no single frequency")
            model = diode_model(values["drop"], r, domain == "water")
            body = f"d#_{e} {a} {b} dm#_{e}\n.model dm#_{e} d({model})"
            body += f"\nrd#_{e} {a} {b} {OPEN_OHMS[domain]:g}"
        elif kind == "impedance":
            henry = values.get("reactance", 0.0) / (2 * np.pi * REACTANCE_AT)
            body = f"r#_{e} {a} l#_{e} {r:.17g}\nl#_{e} l#_{e} {b} {henry:.17g}"
        elif kind == "capacitor":
            farad = max(values.get("capacitance", 0.0), 1e-15)
            body = f"r#_{e} {a} l#_{e} {r:.17g}\nc#_{e} l#_{e} {b} {farad:.17g}"
        elif kind == "rotor":
            unit, hertz = full.rpartition(".")[0], float(self.circuit.frequency[lane])
            others = [self.ends[f"{unit}.{other}"] for other in self._kinds[full].partners]
            field = [tuple(self.node(net) for net in ends) for ends in others]
            body = rotor(e, values, hertz, (a, b), field)
        elif kind == "curve":
            body = curve(e, values, a, b)
        else:
            body = f"r#_{e} {a} {b} {r:.17g}"
        return meter + body, opened

    def shown(self, probe: Probe, solution: Solution) -> complex:
        """The reading of an instrument in its solved circuit, in base units."""
        if self.node(probe.p) == self.node(probe.q):
            return 0.0
        across = self.voltage(probe.p, solution) - self.voltage(probe.q, solution)
        if probe.kind == "volts":
            return across
        if probe.kind == "farads":
            return max((1.0 / across).imag / (2 * np.pi * solution.frequency), 0.0)
        flowing = solution.amps["probe"].real
        return across.real / flowing if flowing > 0 else float("inf")

    def voltage(self, net: str | None, solution: Solution) -> complex:
        """A net's voltage against its reference."""
        if self.node(net) == "0" or net is None:
            return 0.0
        return complex(solution.v[self.nodes[self.circuit.installation.domain[net]][net]])

    def amps(self, full: str, solution: Solution) -> complex:
        """The current through a metered element."""
        return solution.amps[str(self.number[full])]


_NODE = re.compile(r"v\(n(\d+)_(\d+)\)")
_AMPS = re.compile(r"i\(va(\d+)_(\d+)\)")
_PROBE = re.compile(r"i\(vp(\d+)\)")


def solve(questions: Sequence[Question]) -> list[Solution]:
    """Solve circuits, many in one run of ngspice."""
    answers: dict[int, Solution] = {}
    groups: dict[tuple[str, float], list[int]] = {}
    for k, q in enumerate(questions):
        groups.setdefault((q.analysis, q.frequency if q.analysis == "ac" else 0.0), []).append(k)
    for (analysis, hertz), wanted in groups.items():
        for start in range(0, len(wanted), BLOCK):
            chosen = wanted[start : start + BLOCK]
            found = _run([questions[k].text for k in chosen], analysis, hertz)
            answers |= dict(zip(chosen, found, strict=True))
    return [answers[k] for k in range(len(questions))]


def _run(texts: Sequence[str], analysis: str, hertz: float) -> list[Solution]:
    deck = ["* settled circuits"]
    deck += [text.replace("#", str(k)) for k, text in enumerate(texts)]
    deck.append(".options temp=27 tnom=27 reltol=1e-4 abstol=1e-11 vntol=1e-7")
    deck.append(".op" if analysis == "op" else f".ac lin 1 {hertz:.17g} {hertz:.17g}")
    deck += [".end", ""]
    with tempfile.TemporaryDirectory() as folder:
        source, raw = Path(folder, "deck.cir"), Path(folder, "deck.raw")
        source.write_text("\n".join(deck), encoding="ascii")
        done = subprocess.run(
            [PROGRAM, "-b", "-r", str(raw), str(source)],
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode == 0 and raw.exists():
            return _read(raw.read_bytes(), len(texts), hertz)
    if len(texts) > 1:  # one that does not converge spoils the deck for all
        half = len(texts) // 2
        return _run(texts[:half], analysis, hertz) + _run(texts[half:], analysis, hertz)
    raise RuntimeError(f"ngspice did not solve this circuit:\n{done.stderr}\n{texts[0]}")


def _read(data: bytes, count: int, hertz: float) -> list[Solution]:
    """The last point of a binary raw file, sorted by circuit."""
    head, _, body = data.partition(b"Binary:\n")
    lines = head.decode("ascii").splitlines()
    names = [line.split()[1] for line in lines[lines.index("Variables:") + 1 :]]
    is_complex = any(line.startswith("Flags:") and "complex" in line for line in lines)
    values = np.frombuffer(body, dtype=np.complex128 if is_complex else np.float64)
    values = values[-len(names) :].astype(np.complex128)
    volts: list[dict[int, complex]] = [{} for _ in range(count)]
    amps: list[dict[str, complex]] = [{} for _ in range(count)]
    for name, value in zip(names, values.tolist(), strict=True):
        if found := _NODE.fullmatch(name):
            volts[int(found[1])][int(found[2])] = value
        elif found := _AMPS.fullmatch(name):
            amps[int(found[1])][found[2]] = value
        elif found := _PROBE.fullmatch(name):
            amps[int(found[1])]["probe"] = value
    return [
        Solution(np.array([v[k] for k in range(len(v))]), a, hertz)
        for v, a in zip(volts, amps, strict=True)
    ]
