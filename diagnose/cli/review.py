"""``diagnose review``: what the confirmed cases contradict, for a senior technician to act on."""

from __future__ import annotations

from dataclasses import asdict, dataclass

from diagnose.cli.common import load, progress_bar, say_learned, store_at
from diagnose.cli.learn import closed_cases, wirings_of
from diagnose.cli.render import Screen
from diagnose.cli.shown import print_json
from diagnose.errors import DiagnoseError

TITLES = {
    "likelihood": "What a test shows is expected wrongly",
    "rule": "A rule that was wrong",
    "ranked_low": "Confirmed often, suspected too little",
    "never_helps": "A test that does not help",
    "missing": "Not in the knowledge base",
}
NAMED = 6
"""Cases named under an entry; --json names them all."""
LARGEST = 2000
"""Cases replayed unless --last says otherwise: the latest ones."""


@dataclass(frozen=True)
class ReviewRequest:
    """Options of the command."""

    store: str | None = None
    knowledge: str | None = None
    last: int = LARGEST
    json: bool = False
    no_color: bool = False


def run_review(request: ReviewRequest) -> int:
    """Replay the cases and list what they contradict; the exit code.

    Raises
    ------
    DiagnoseError
        The store or the knowledge cannot be used; some cases cannot be read (the others count).
    """
    from diagnose.casebook.counting import count
    from diagnose.casebook.replays import replay_all
    from diagnose.casebook.review import review
    from diagnose.casebook.scoring import in_order
    from diagnose.reasoning.rules import RuleEngine

    screen = Screen(request.no_color)
    knowledge = load(request.knowledge)
    outcomes, issues = closed_cases(store_at(request.store), request.last)
    chosen = in_order(outcomes)[-request.last :]
    wirings = wirings_of(load(request.knowledge, learned=False), screen.plain)
    wirings.make_for(count(chosen))
    rules = RuleEngine(list(knowledge.rules.values()))
    with progress_bar("Replaying", screen.plain) as report:
        replays = replay_all(chosen, knowledge, wirings, rules, report)
    entries = review(replays)
    if request.json:
        told = {"cases": len(replays), "entries": [asdict(e) for e in entries]}
        print_json(told)
    else:
        screen.rule("Review", f"{len(replays)} confirmed cases")
        say_learned(screen, knowledge)
        if not entries:
            screen.para("Nothing in these cases contradicts the knowledge base.")
        for number, entry in enumerate(entries, 1):
            screen.line()
            screen.para(f"{number}. {TITLES[entry.kind]}: {entry.about}", style="bold", hang=3)
            screen.para(f"{entry.says}.", 3)
            screen.para(entry.do, 3)
            named = ", ".join(entry.cases[:NAMED])
            more = f" and {len(entry.cases) - NAMED} more" if len(entry.cases) > NAMED else ""
            screen.para(f"Cases: {named}{more}", 3, hang=7)
            for line in entry.stub.splitlines():
                screen.line(f"   {line}")
    if issues:
        raise DiagnoseError(issues)
    return 0
