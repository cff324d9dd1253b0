"""Callouts led by chance over several installations; no step offered may break a promise.

``python -m tests.campaigns.safety`` leads 400 callouts on each installation type, a
third of them with the rules disabled and a third with the guard; ``--quick`` three on each. The
promises: `tests.promises`.
"""

from __future__ import annotations

import argparse
import sys
from contextlib import nullcontext

from diagnose.interview.session import Session
from diagnose.knowledge.load import find_knowledge, load_knowledge
from diagnose.plant.cache import matrix_for
from diagnose.plant.compose import compose
from tests.explored import wander, without_guard, without_rules

STEPS = 30


def main() -> int:
    """Print how many steps were judged on each installation; 1 where a promise was broken."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--quick", action="store_true", help="three callouts on each")
    parser.add_argument("--installation", action="append", help="only these types")
    asked = parser.parse_args()
    knowledge = load_knowledge(find_knowledge())
    broken = 0
    for kind in asked.installation or knowledge.installations:
        installation = compose(knowledge, kind)
        session = Session(knowledge, installation, matrix_for(knowledge, installation))
        unruly = without_rules(session)
        tried, wrong = 0, []
        for seed in range(3 if asked.quick else 400):
            off = ("nothing", "rules", "guard")[seed % 3]
            with without_guard() if off == "guard" else nullcontext():
                explorer = wander(unruly if off == "rules" else session, seed, STEPS)
            tried += explorer.tried
            # an end is handed over by the rules alone; the guard judges steps
            wrong += [
                f"{off} disabled: {w}"
                for w in explorer.wrong
                if off != "rules" or not w.startswith("conclusion")
            ]
        broken += len(wrong)
        print(f"{kind}: {tried} steps offered, {len(wrong)} break a promise", flush=True)
        print("".join(f"  {line}\n" for line in wrong[:5]), end="")
    return int(bool(broken))


if __name__ == "__main__":
    sys.exit(main())
