"""Invented cases, drawn at random, with everything in them that a case can hold. No evidence."""

from __future__ import annotations

import datetime
import random
import uuid
from typing import Any

from diagnose.casebook.store import CaseHeader, new_id
from diagnose.interview.events import Event

KINDS = ("tank_and_sump", "tank_alone")
VARIANTS = {"module": ("active_low", "active_high"), "sump": ("none", "float", "probe")}
CAUSES = ("relay.welded", "float.stuck", "pump.seized", "lead.open", "board.no_supply")
TESTS = ("rail", "contact", "coil", "lead@sump", "pressure")
OUTCOMES = ("good", "low", "open")
QUESTIONS = {
    "present": ("now", "now", "now", 'gestört "manchmal"'),
    "roof_way": ("stairs", "ladder"),
    "smoke": ("no",),
}
PLACES = ("roof", "sump")
COMPLAINTS = ("overflows", "runs_dry", "chatters")
WORDS = ("a wasp in the socket", "lightning", "ants, many of them")


def made_case(chance: random.Random, number: int, wild: bool = True) -> Made:
    """One case of invented data; `wild`: also with what is rare."""
    return _Maker(chance, wild).case(number)


class _Maker:
    def __init__(self, chance: random.Random, wild: bool) -> None:
        self.chance = chance
        self.wild = wild
        self.now = datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)
        self.now += datetime.timedelta(days=chance.randrange(700), minutes=chance.randrange(600))
        self.events: list[Event] = []

    def happens(self, probability: float) -> bool:
        return self.wild and self.chance.random() < probability

    def add(self, kind: str, **data: Any) -> Event:
        self.now += datetime.timedelta(minutes=self.chance.randrange(1, 9))
        key = str(uuid.UUID(int=self.chance.getrandbits(128), version=4))
        self.events.append(Event(key, self.now.isoformat(timespec="seconds"), kind, data))
        return self.events[-1]

    def case(self, number: int) -> Made:
        chance = self.chance
        kind = chance.choice(KINDS)
        variants = {name: chance.choice(choices) for name, choices in VARIANTS.items()}
        site = chance.choice(("", "Mill Lane 3", "mill lane, 3", "Büro am Teich", f"Yard {number}"))
        phone = self.happens(0.3)
        opened: dict[str, Any] = {"title": "", "site": site, "installation": kind}
        opened |= {"variants": variants, "knowledge": "d1", **({"stage": "phone"} if phone else {})}
        self.add("opened", **opened)
        head = CaseHeader(
            "", "", site, kind, variants, self.events[0].at, chance.choice(("d1", "d1+o"))
        )
        if self.happens(0.2):
            self.add("described", site=chance.choice(("", "The Old Quay")))
        if self.happens(0.2):
            self.add("described", variants={"sump": chance.choice(VARIANTS["sump"])})
        if phone:
            self.search(2)
            self.add("resumed", **({"stage": "phone"} if self.happens(0.2) else {}))
            self.add("resumed")
        self.search(chance.randrange(1, 6))
        cause = chance.choice(CAUSES)
        unit, _, mode = cause.partition(".")
        self.add("concluded", status="concluded", unit=unit, failure_mode=mode, probability=0.9)
        if self.happens(0.2):
            self.repair(chance.choice(CAUSES))
            self.search(1)
        if not self.happens(0.1):
            self.repair(cause)
            self.add("verified", check="gone", result="pass")
        while not self.happens(0.1):
            self.close(cause)
            if self.happens(0.3):
                held = chance.choice(("yes", "no"))
                self.add("called_back", held=held, text=f"Frau Müller, site {number}")
            if not self.happens(0.3):
                break
            self.search(1)
        return CaseHeader(new_id(head, number), *_rest(head)), self.events

    def search(self, count: int) -> None:
        chance = self.chance
        if chance.random() < 0.9:
            self.add("complaint", ids=chance.sample(COMPLAINTS, chance.randrange(1, 3)))
        for question, choices in QUESTIONS.items():
            if chance.random() < 0.4:
                self.add("answered", question=question, choice=chance.choice(choices))
        for _ in range(count):
            if chance.random() < 0.3:
                self.add("act", act=chance.choice(("isolate", "energise")), minutes=4.0)
            found = self.finding()
            if self.happens(0.15):
                taken = chance.choice([e for e in self.events if e.kind in TAKEN])
                self.add("withdrawn", event=taken.id)
            elif self.happens(0.1):
                self.add("cannot", test=found.data["test"], reason="Herr Schmidt has the key")

    def finding(self) -> Event:
        chance = self.chance
        outcome = chance.choice(OUTCOMES)
        data: dict[str, Any] = {
            "test": chance.choice(TESTS),
            "raw": chance.choice(("0.2 V", outcome)),
        }
        data |= {"outcome": outcome, "sure": chance.choice(("yes", "yes", "no"))}
        data["minutes"] = float(chance.randrange(0, 9))
        if chance.random() < 0.5:
            data |= {"own": data["minutes"] / 2}
            if chance.random() < 0.7:
                data |= {"walk": data["minutes"] / 4, "place": chance.choice(PLACES)}
        data["shown"] = {name: round(chance.random(), 4) for name in chance.sample(CAUSES, 3)}
        data["chosen"] = {"by": "rollout", "expansions": chance.randrange(999)}
        return self.add("finding", **data)

    def repair(self, cause: str) -> None:
        unit, _, mode = cause.partition(".")
        self.add("repaired", unit=unit, failure_mode=mode, minutes=30.0)

    def close(self, cause: str) -> None:
        chance = self.chance
        unit, _, mode = cause.partition(".")
        said: dict[str, Any] = {"unit": unit, "failure_mode": mode}
        if self.happens(0.15):
            said = {"found": chance.choice(WORDS)}
        worked = [e.id for e in self.events if float(e.data.get("minutes", 0)) > 0]
        took = chance.sample(worked, min(len(worked), 2)) if chance.random() < 0.6 else []
        said["confirmed"] = chance.choice(("verification", "measured", "not_confirmed", "replaced"))
        said["minutes"] = 40.0
        said["took"] = {key: float(chance.randrange(1, 30)) for key in took}
        said["parts"] = chance.choice(([], ["relay module"]))
        said["verified"] = chance.choice(("passed", "passed", "failed", "not_made"))
        self.add("closed", **said, call_back=chance.choice(("", "2027-01-31")))


TAKEN = ("complaint", "answered", "finding")
Made = tuple[CaseHeader, list[Event]]


def _rest(head: CaseHeader) -> tuple[Any, ...]:
    return (head.title, head.site, head.installation, head.variants, head.opened, head.knowledge)
