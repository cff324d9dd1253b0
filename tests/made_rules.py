"""Rules and facts made for tests: by hand, at random, and the firing orders they lead to."""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from pathlib import Path

import diagnose
from diagnose.knowledge.rule_records import Fact, Pattern, Rule
from diagnose.reasoning.rule_checks import soundness_issues
from diagnose.reasoning.rules import Inference, RuleEngine

ROOT = Path(diagnose.__file__).parent.parent
FIELDS = ("f", "g", "h")
KINDS = ("given", "seen", "low", "middle", "high")
# texts that a careless engine would take for one value, for a variable or for syntax
TEXTS = ("1", "1.0", "True", "yes", "no", "", "two words", 'q"uote\\', "{x}", "None", "none")
LITERALS = ("1", "1.0", "True", "yes", "no", "two words", 'q"uote\\', "none")


def rule(
    name: str,
    when: Sequence[Pattern],
    then: Sequence[Fact],
    stratum: int = 1,
    fires_on: Sequence[Sequence[Fact]] = (),
    silent_on: Sequence[Sequence[Fact]] = (),
) -> Rule:
    return Rule(
        name,
        "made up for a test",
        "test",
        stratum,
        tuple(when),
        tuple(then),
        tuple(map(tuple, fires_on)),
        tuple(map(tuple, silent_on)),
    )


def has(kind: str, **fields: str) -> Pattern:
    return Pattern(kind, tuple(sorted(fields.items())))


def lacks(kind: str, **fields: str) -> Pattern:
    return Pattern(kind, tuple(sorted(fields.items())), negated=True)


def blocked_rules() -> tuple[tuple[Rule, ...], list[Fact]]:
    """Fifty permissions resting on one fact, each blocked by a hold of a lower stratum."""
    rules = []
    facts = [Fact.of("panel", state="live")]
    for n in range(50):
        facts.append(Fact.of("seen", what=f"water_{n}"))
        hold = Fact.of("hold", test=f"test_{n}")
        rules.append(rule(f"hold_{n}", [has("seen", what=f"water_{n}")], [hold]))
        rules.append(
            rule(
                f"permit_{n}",
                [has("panel", state="live"), lacks("hold", test=f"test_{n}")],
                [Fact.of("permit", test=f"test_{n}")],
                stratum=2,
            )
        )
    return tuple(rules), facts


def random_pattern(rng: random.Random, stratum: int, variables: Sequence[str]) -> Pattern:
    negated = rng.random() < 0.3
    fields = {}
    for name in rng.sample(FIELDS, rng.randint(0 if negated else 1, 3)):
        roll = rng.random()
        if roll < 0.3:
            fields[name] = f"?{rng.choice(variables)}"
        elif roll < 0.55:
            fields[name] = rng.choice(LITERALS)
        elif roll < 0.9:
            fields[name] = "|".join(rng.sample(LITERALS, rng.randint(2, 4)))
        else:
            fields[name] = "*"
    kind = rng.choice(KINDS[: stratum + 2])
    return Pattern(kind, tuple(sorted(fields.items())), negated)


def random_rule(rng: random.Random, name: str) -> Rule:
    stratum = rng.randint(1, 3)
    when = [random_pattern(rng, stratum, ("x", "y", "z")) for _ in range(rng.randint(1, 3))]
    bound = sorted({v for pattern in when if not pattern.negated for v in pattern.variables})
    then = []
    for _ in range(rng.randint(1, 2)):
        fields = {}
        for field in rng.sample(FIELDS, rng.randint(1, 3)):
            roll = rng.random()
            if bound and roll < 0.4:
                fields[field] = f"?{rng.choice(bound)}"
            elif bound and roll < 0.6:
                fields[field] = f"at {{{rng.choice(bound)}}}, {{{rng.choice(bound)}}}!"
            else:
                fields[field] = rng.choice(LITERALS)
        then.append(Fact.of(KINDS[stratum + 1], **fields))
    return rule(name, when, then, stratum)


def random_rules(rng: random.Random, count: int) -> tuple[Rule, ...]:
    """Sound rules only: what the checks refuse is drawn again."""
    rules: list[Rule] = []
    while len(rules) < count:
        candidate = random_rule(rng, f"rule_{len(rules)}")
        if not soundness_issues([*rules, candidate]):
            rules.append(candidate)
    return tuple(rules)


def random_facts(rng: random.Random) -> list[Fact]:
    facts = []
    for _ in range(rng.randint(0, 16)):
        names = rng.sample(FIELDS, rng.randint(1, 3))
        fields = {name: rng.choice(TEXTS) for name in names}
        facts.append(Fact.of(rng.choice(KINDS[:3]), **fields))
    return facts


VOCABULARY = [Fact.of(kind, **dict.fromkeys(FIELDS, "1")) for kind in KINDS]


def as_data(inference: Inference) -> object:
    return [[f.rule, [*map(str, f.matched)], [*map(str, f.concluded)]] for f in inference.firings]


def firing_orders() -> str:
    """What five processes must agree on."""
    rng = random.Random(20)
    orders = []
    for _ in range(20):
        engine = RuleEngine(random_rules(rng, 12))
        for _ in range(5):
            facts = random_facts(rng)
            random.shuffle(facts)  # unseeded: the order given must not matter either
            orders.append(as_data(engine.infer(facts)))
    return json.dumps(orders)


if __name__ == "__main__":
    print(firing_orders())
