"""``diagnose score``: how well the knowledge foretold the cases, handbook beside learned."""

from __future__ import annotations

import json as json_text
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnose.cli.common import load, progress_bar, store_at
from diagnose.cli.learn import closed_cases, wirings_of
from diagnose.cli.render import Screen
from diagnose.errors import DiagnoseError

if TYPE_CHECKING:
    from diagnose.casebook.scoring import Score

TITLES = {"log_loss": "log loss", "brier": "Brier score", "top_1": "first", "top_3": "among three"}
BETTER_LOW = ("log_loss", "brier")
STAGES = {
    "before": "Cause, before the first test",
    "after": "Cause, after the last test",
}
LARGEST = 2000
"""Cases replayed unless --last says otherwise: the latest ones."""


@dataclass(frozen=True)
class ScoreRequest:
    """Options of the command."""

    store: str | None = None
    knowledge: str | None = None
    last: int = LARGEST
    picture: Path | None = None
    json: bool = False
    no_color: bool = False


def run_score(request: ScoreRequest) -> int:
    """Replay and score; the exit code.

    Raises
    ------
    DiagnoseError
        The store or the knowledge cannot be used; some cases cannot be read (the others count).
    """
    from diagnose.casebook.counting import count
    from diagnose.casebook.scoring import calibration, in_order, score
    from diagnose.reasoning.rules import RuleEngine

    screen = Screen(request.no_color)
    knowledge = load(request.knowledge, learned=False)
    outcomes, issues = closed_cases(store_at(request.store), request.last)
    chosen = in_order(outcomes)[-request.last :]
    found = None
    if chosen:
        rules = RuleEngine(list(knowledge.rules.values()))
        wirings = wirings_of(knowledge, screen.plain)
        wirings.make_for(count(chosen))
        with progress_bar("Replaying", screen.plain) as report:
            found = score(chosen, wirings, rules, report)
    if found is not None and request.picture is not None:
        from diagnose.cli.pictures import calibration_svg, write_picture

        series = {k: calibration(found.judged[k, "after"]) for k in ("handbook", "learned")}
        title = f"The unit named, after the last test ({len(found.cases)} cases)"
        write_picture(request.picture, calibration_svg(series, title))
    if request.json:
        print(json_text.dumps(_object(found), indent=2))
    elif found is None or not found.cases:
        screen.para("No confirmed case to score.")
    else:
        _show(screen, found)
    if issues:
        raise DiagnoseError(issues)
    return 0


def _figures(found: Score, stage: str, measure: str) -> tuple[float, float, float, float, float]:
    from diagnose.casebook.scoring import interval

    old, new = (found.column(k, stage, measure) for k in ("handbook", "learned"))
    return (
        float(old.mean()),
        float(new.mean()),
        float((new - old).mean()),
        *interval(new - old),
    )


def _show(screen: Screen, found: Score) -> None:
    from diagnose.casebook.scoring import calibration

    screen.rule("Score", f"{len(found.cases)} cases, each judged by earlier ones only")
    for stage, title in STAGES.items():
        screen.line()
        screen.line(f"{title:<29}{'handbook':>9}{'learned':>10}  difference (95 %)", "bold")
        for measure, name in TITLES.items():
            old, new, mean, low, high = _figures(found, stage, measure)
            kind = " " if measure in BETTER_LOW else "%"
            k = 1 if measure in BETTER_LOW else 100
            shown = f"{k * mean:+.2g} ({k * low:+.2g}..{k * high:+.2g})"
            figures = f"{k * old:>9.3g}{kind}{k * new:>9.3g}{kind} {shown:<22}"
            screen.line(f"  {name:<27}{figures}{_verdict(measure, low, high)}".rstrip())
    off = found.estimates
    screen.line()
    if len(off["handbook"]):
        old, new = (float(off[k].mean()) for k in ("handbook", "learned"))
        screen.para(
            f"Minutes of {len(off['handbook'])} tests that were measured: off by a factor of "
            f"{2.718281828**old:.2f} by the handbook, {2.718281828**new:.2f} as learned. A case "
            f"took {found.minutes:.0f} min of work on average."
        )
        screen.line()
    screen.line("The unit named, after the last test: claimed, and right", "bold")
    for p, share, n in calibration(found.judged["learned", "after"]):
        cells = round(20 * share)
        bar = screen.full * cells + screen.empty * (20 - cells)
        screen.line(f"  {p:>4.0%} {bar} {share:>4.0%}  {n} {'case' if n == 1 else 'cases'}")


def _verdict(measure: str, low: float, high: float) -> str:
    if low <= 0 <= high:
        return ""
    better = (high < 0) == (measure in BETTER_LOW)
    return " better" if better else " worse"


def _object(found: Score | None) -> dict[str, Any]:
    from diagnose.casebook.scoring import calibration

    if found is None or not found.cases:
        return {"cases": 0}
    result: dict[str, Any] = {"cases": len(found.cases), "ids": list(found.cases)}
    for stage in STAGES:
        result[stage] = {}
        for measure in TITLES:
            old, new, mean, low, high = _figures(found, stage, measure)
            result[stage][measure] = {
                "handbook": old,
                "learned": new,
                "difference": mean,
                "interval": [low, high],
            }
    result["calibration"] = {
        k: [list(b) for b in calibration(found.judged[k, "after"])] for k in ("handbook", "learned")
    }
    result["minutes"] = {
        "measured_tests": len(found.estimates["handbook"]),
        **{k: float(v.mean()) if len(v) else None for k, v in found.estimates.items()},
        "case": found.minutes if found.minutes == found.minutes else None,
    }
    return result
