"""How the tool does with the retold real reports: ``python -m tests.benchmarks.field_cases``.

Every answers file of kind ``field`` is driven to its end. Right is a conclusion (or a handing over)
that names the unit of the confirmed cause; *ambiguous* and *stopped* count as not right, whatever
leads then. The cases are few and their facts fewer: this is no accuracy figure for the trade.
``--kind own`` does the same with the worked cases of our own invention, which show nothing but
that the tool agrees with itself.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from diagnose.casebook.answers import Answers, Scripted, read_answers
from diagnose.interview.drive import drive, summary
from diagnose.interview.session import Session
from diagnose.knowledge.load import find_knowledge, load_knowledge
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.cache import matrix_for
from diagnose.plant.compose import Installation
from diagnose.reasoning.belief import UNKNOWN_UNIT
from tests.benchmarks.efficiency import wilson

CASES = Path(__file__).resolve().parents[2] / "cases"
SETTLED = ("concluded", "handed_over")


@dataclass(frozen=True)
class Scored:
    """One case: what was expected, what the tool ended with, and on how much.

    Attributes
    ----------
    got : str
        The leading unit; ``unknown`` for a cause that is not in the knowledge base.
    probability, expected_probability : float
        Of the leading unit and of the expected one, at the end.
    answered, asked : int
        Tests that the case answers among those that were asked.
    unused : int
        Tests that the case could have answered and that were not asked.
    rank : int
        Place of the expected unit among all units at the end, from 1.
    """

    case: str
    certainty: str
    expected: str
    got: str
    status: str
    right: bool
    probability: float
    expected_probability: float
    answered: int
    asked: int
    unused: int
    rank: int

    @property
    def probable(self) -> bool:
        """Whether the cause is only probable."""
        return self.certainty.startswith("probable")


def answers_files(kind: str) -> list[Path]:
    """The answers files of one kind, by name."""
    return sorted(CASES.glob(f"{kind}-*.yaml"))


def read_all(knowledge: KnowledgeBase, paths: Iterable[Path]) -> list[Answers]:
    """The cases in these files, those of one installation side by side.

    Raises
    ------
    DiagnoseError
        A file cannot be read.
    """
    read = [read_answers(path, knowledge) for path in paths]
    return sorted(read, key=lambda a: (sorted(a.installation.choices.items()), a.path))


def scored(session: Session, answers: Answers) -> tuple[Scored, Mapping[str, Any]]:
    """Drive one case to its end; the score, and the result as ``--json`` would print it."""
    events = [answers.opened(session.knowledge)]
    outcome = drive(session, events, Scripted(answers, session.knowledge))
    result = summary(outcome, events)
    expected = answers.expect["unit"]
    got = result["unit"] or UNKNOWN_UNIT
    seen = {step["test"] for step in result["steps"] if step["outcome"] != "cannot"}
    ranking = outcome.turn.belief.ranking()
    if answers.verification:  # the belief has moved on since the conclusion
        ranking = [(r["failure_mode"], r["probability"]) for r in result["ranking"]]
    units: dict[str, float] = {}
    for name, p in ranking:
        unit = unit_of(name)
        units[unit] = units.get(unit, 0.0) + p
    score = Scored(
        case=Path(answers.path).stem,
        certainty=answers.certainty,
        expected=expected,
        got=got,
        status=result["status"],
        right=result["status"] in SETTLED and got == expected,
        probability=float(result["probability"]),
        expected_probability=sum(p for name, p in ranking if unit_of(name) == expected),
        answered=len(seen),
        asked=len({step["test"] for step in result["steps"]}),
        unused=len(set(answers.answers) - seen),
        rank=1 + sum(p > units.get(expected, 0.0) for p in units.values()),
    )
    return score, result


def _alike(one: Installation, other: Installation) -> bool:
    """Whether two installations are of one type with the same choices."""
    return (one.type.id, one.choices) == (other.type.id, other.choices)


def run(paths: Iterable[Path]) -> Iterator[tuple[Answers, Scored, Mapping[str, Any]]]:
    """Drive every case to its end; one matrix per installation, from the cache."""
    knowledge = load_knowledge(find_knowledge())
    session: Session | None = None
    for answers in read_all(knowledge, paths):
        installation = answers.installation
        if session is None or not _alike(session.installation, installation):
            session = Session(knowledge, installation, matrix_for(knowledge, installation))
        yield (answers, *scored(session, answers))


def totals(scores: Sequence[Scored]) -> dict[str, dict[str, int]]:
    """Cases, right ones and how they ended: all, and without those that are only probable."""
    groups = {"all": scores, "confirmed": [s for s in scores if not s.probable]}
    return {
        name: {
            "cases": len(group),
            "right": sum(s.right for s in group),
            "wrong": sum(s.status in SETTLED and not s.right for s in group),
            "not_settled": sum(s.status not in SETTLED for s in group),
            "not_settled_right_leads": sum(
                s.status not in SETTLED and s.got == s.expected for s in group
            ),
            "right_unit_first": sum(s.rank == 1 for s in group),
            "in_the_first_three": sum(s.rank <= 3 for s in group),
        }
        for name, group in groups.items()
    }


def main() -> None:
    """Print one line a case and the totals."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kind", choices=("field", "own"), default="field")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    scores = sorted(
        (score for _, score, _ in run(answers_files(options.kind))), key=lambda s: s.case
    )
    if options.json:
        print(json.dumps({"cases": [asdict(s) for s in scores], "totals": totals(scores)}))
        return
    print(
        f"{'case':45} {'expected':15} {'got':15} {'status':11} right   p(got)  p(exp)  "
        "answered/asked (never asked)"
    )
    for s in scores:
        mark = "probable" if s.probable else ""
        print(
            f"{s.case:45.45} {s.expected:15} {s.got:15} {s.status:11} "
            f"{'yes' if s.right else 'no':5} {s.probability:8.2f} {s.expected_probability:7.2f}  "
            f"{s.answered:3}/{s.asked:3} ({s.unused}) rank {s.rank} {mark}"
        )
    for name, counts in totals(scores).items():
        print(f"{name}: " + ", ".join(f"{k} {v}" for k, v in counts.items()))
        for k in ("right_unit_first", "in_the_first_three"):
            low, high = wilson(counts[k], counts["cases"])
            print(f"  {k} {counts[k]} of {counts['cases']}, Wilson {low:.2f} to {high:.2f}")


if __name__ == "__main__":
    main()
