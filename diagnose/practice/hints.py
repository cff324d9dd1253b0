"""Hints on request, graded: they teach the reasoning before they give the step.

Level 1 asks where half of what is left would be on either side, by function; level 2 says which
function, where and which kind of reading; level 3 which test and why; level 4 the step itself. All
is computed from what the trainee knows (complaint, answers, readings), never from what is
hidden: two callouts that look the same so far get the same hint.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import fail
from diagnose.knowledge.practice_reading import PracticeKnowledge
from diagnose.practice.best import Advice, advise
from diagnose.practice.deeds import SAFETY
from diagnose.practice.functions import function_of, groups_of, suspicion
from diagnose.practice.records import Attempt, Hazard
from diagnose.reasoning.belief import Belief

if TYPE_CHECKING:
    from diagnose.interview.session import Session
    from diagnose.practice.bench import Bench

LEVELS = (1, 2, 3, 4)
MOSTLY = 0.75
"""Share of the suspicion from which one function stands out (judgement)."""
NAMED = 0.05
"""Outcomes less likely than this are not gone through."""
LEFT = 2
"""Parts named for each outcome."""
READINGS: Mapping[str, str] = {
    "volts_dc": "a direct voltage",
    "volts_ac": "a mains voltage",
    "volts_ac_loz": "a mains voltage, with the low-impedance range",
    "ohms": "a resistance",
    "insulation": "an insulation resistance",
    "farads": "a capacitance",
    "amps_ac": "a current",
    "flow": "how much water comes",
    "head": "a pressure",
    "signal": "how it behaves: switch, look and listen",
    "sign": "what can be seen, heard or smelt",
}
AT_REST = "how it stands: look, and try it by hand"
"""What a signal is where nothing is switched for it: a level, a position, a shaft that turns."""
STATES: Mapping[str, str] = {
    "dead": "isolated and proved dead",
    "live": "live, with the supply on",
    "energised": "with the supply on and the covers closed",
    "any": "as it stands",
}


def hint(session: Session, bench: Bench, attempt: Attempt, level: int) -> str:
    """A hint of a level, 1 to 4, for where the attempt stands.

    Parameters
    ----------
    bench
        Tells which tests can be made safely, and the functions; what is broken is not looked at.

    Raises
    ------
    DiagnoseError
        There is no such level.
    """
    if level not in LEVELS:
        raise fail("option", f"there is no hint of level {level}", None, map(str, LEVELS))
    if attempt.safety.hazard is Hazard.UNASKED:
        return _SAFETY[level]
    return _Hint(session, advise(session, bench, attempt), bench.practice).at(level)


_SAFETY = {
    1: "Before anything else: what would make it wrong to work here at all, and who knows it?",
    2: "Start with people and place, not with the installation: the customer has seen both.",
    3: "Ask about danger first: a shock that was felt, wet metal, smoke, bare conductors. A "
    "hazard ends the search, whatever the fault is.",
    4: f"Ask the safety questions: ask {SAFETY}.",
}


class _Hint:
    """What a hint says at one moment."""

    def __init__(self, session: Session, advice: Advice, practice: PracticeKnowledge) -> None:
        self.session = session
        self.belief: Belief = advice.turn.belief
        self.groups = groups_of(practice, session.installation)
        self.functions = {group.function.id: group.function for group in self.groups}
        self.best = advice.best

    def at(self, level: int) -> str:
        """The text of a level."""
        if self.best.kind == "test":
            return (self._halves, self._where, self._why, self._do)[level - 1]()
        if self.best.kind == "swap":
            return self._repair(level)
        return _AFTER.get(self.best.kind, _AFTER["check"])[level]

    # ------------------------------------------------------------------ level 1

    def _halves(self) -> str:
        shares = suspicion(self.groups, self.belief)
        total = sum(shares.values()) or 1.0
        shares = {name: p / total for name, p in shares.items()}
        names = list(shares)
        chain = " → ".join(self._title(name) for name in names)
        first = max(names, key=lambda name: shares[name])
        if shares[first] >= MOSTLY:
            function = self.functions[first]
            return (
                f"Nearly all that is left lies in one function: {self._title(first)}, which "
                f"{function.does}. It does so when {function.works_when}. Where inside it would "
                "half of the remaining causes be on either side?"
            )
        held = np.cumsum([shares[name] for name in names[:-1]])
        k = int(np.argmin(np.abs(held - 0.5)))
        return (
            f"Follow the chain: {chain}. Where would half of the remaining causes be on either "
            f"side? Look at the border between {self._title(names[k])} and "
            f"{self._title(names[k + 1])}: what would you expect to find there if all before it "
            "were sound?"
        )

    def _title(self, function: str) -> str:
        return self.functions[function].title.lower()

    # ------------------------------------------------------------------ levels 2 to 4 of a test

    def _where(self) -> str:
        spec = self.session.tests[self.best.id].spec
        place = "where you stand" if spec.place_at == "anywhere" else f"at the {spec.place_at}"
        resting = spec.kind == "signal" and spec.state in ("dead", "any")
        reading = AT_REST if resting else READINGS[spec.kind]
        return (
            f"Something about {self._title(self._told_of())}, {place}: {reading}, "
            f"{STATES[spec.state]}."
        )

    def _told_of(self) -> str:
        """The function whose suspicion the best test is expected to move most."""
        table = self.belief.table
        k = table.test_index[self.best.id]
        joint = self.belief.joint(np.array([k]))[:, 0]
        moved = np.abs(joint - np.outer(self.belief.unit_p, joint.sum(axis=0))).sum(axis=1)
        found = dict.fromkeys(self.functions, 0.0)
        for unit, by in zip(table.unit_names, moved.tolist(), strict=True):
            if function_of(self.groups, unit):
                found[function_of(self.groups, unit)] += by
        return max(found, key=lambda name: found[name])

    def _why(self) -> str:
        best, belief = self.best, self.belief
        said = [
            f"{best.title}. It is expected to tell {best.bits:.2f} bits in {best.minutes:.1f} "
            f"minutes, the way there counted: {best.rate:.2f} bits a minute."
        ]
        joint = belief.joint(np.array([belief.table.test_index[best.id]]))[:, 0]
        for k, outcome in enumerate(self.session.tests[best.id].outcomes):
            chance = float(joint[:, k].sum())
            if chance < NAMED:
                continue
            leading = np.argsort(-joint[:, k], kind="stable")[:LEFT]
            leaves = ", ".join(
                f"{self._unit(belief.table.unit_names[u])} {_percent(joint[u, k] / chance)}"
                for u in leading
            )
            said.append(f'If it shows "{outcome.title}" ({_percent(chance)}): {leaves}.')
        return " ".join(said)

    def _unit(self, unit: str) -> str:
        known = self.session.installation.instances
        return known[unit].title if unit in known else "a cause that is not in the knowledge base"

    def _do(self) -> str:
        test = self.session.tests[self.best.id]
        return f"Make this test, {STATES[test.spec.state]}: {test.title}. {test.do}"

    # ------------------------------------------------------------------ a repair

    def _repair(self, level: int) -> str:
        unit = self.best.id
        title = self.session.installation.instances[unit].title
        share = next(
            p
            for name, p in zip(
                self.belief.table.unit_names, self.belief.unit_p.tolist(), strict=True
            )
            if name == unit
        )
        function = function_of(self.groups, unit)
        where = self.session.installation.instances[unit].where
        return {
            1: "Look at what your readings have left. What could one more test still change about "
            "what you would do next?",
            2: "No further reading pays for its minutes. Your readings point to "
            f"{self._title(function) if function else 'one part'}, at the {where}.",
            3: f"Your readings leave {title} with {_percent(share)}; a repair in vain there is "
            "expected to cost less than any test that is left.",
            4: f"Repair it: {title}. Then check that the complaint is gone.",
        }[level]


_AFTER = {
    "check": {
        1: "You have changed something. How will you know that it was the cause, and that nothing "
        "else is wrong?",
        2: "Look at the whole installation now, as the customer will: each start and stop.",
        3: "A repair is proved by what the installation does, not by the part that you hold: check "
        "that the complaint is gone, then every start and stop, then the current.",
        4: "Switch on safely and make the checks, the complaint first: check gone.",
    },
    "finish": {
        1: "What is still open for the customer, and who answers for it?",
        2: "There is nothing left to measure.",
        3: "Every check is made, or there is a danger that ends the search.",
        4: "Finish: done, or hand over where there is a danger.",
    },
}


def _percent(p: float) -> str:
    """A probability as shown; neither certainty nor impossibility is claimed."""
    if p > 0.994:
        return ">99%"
    return "<1%" if p < 0.005 else f"{p:.0%}"
