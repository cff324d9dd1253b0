"""``diagnose learn``: numbers from a firm's own confirmed cases, shown first, written then."""

from __future__ import annotations

import json as json_text
import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnose.cli.common import chosen_overlay, load, matrix_of, store_at
from diagnose.cli.render import Screen
from diagnose.errors import DiagnoseError, Issue

if TYPE_CHECKING:
    from diagnose.casebook.learning import Learning
    from diagnose.casebook.outcomes import Outcome
    from diagnose.casebook.scoring import Foretold
    from diagnose.casebook.store import CaseStore
    from diagnose.casebook.wirings import Wirings
    from diagnose.knowledge.overlay_records import Key, Learned
    from diagnose.knowledge.records import KnowledgeBase

SHOWN = 12
"""Numbers shown of each section; the file has them all."""
PICTURED = 20
JUDGED = 6
"""Blocks of cases that are foretold from the blocks before them."""
LATEST = 5000
"""Confirmed cases, the latest, that are foretold and named; what came before is only counted."""
BAR = 17
"""Columns of a bar; odd, so that the handbook stands in the middle."""
TITLES = {
    "rates": "Failure rates",
    "wrong_answers": "Wrong answers on site",
    "wrong_by_phone": "Wrong answers by telephone",
    "test_minutes": "Minutes of tests",
    "change_minutes": "Minutes of ways and of changes of state",
    "repair_minutes": "Minutes of repairs",
}


@dataclass(frozen=True)
class LearnRequest:
    """Options of the command."""

    store: str | None = None
    knowledge: str | None = None
    dry_run: bool = False
    anyway: bool = False
    picture: Path | None = None
    json: bool = False
    no_color: bool = False
    no_ids: bool = False


def run_learn(request: LearnRequest) -> int:
    """Learn, show what changes, and write the overlay unless it foretells worse; the exit code.

    Raises
    ------
    DiagnoseError
        The store, the knowledge or the place of the overlay cannot be used.
    """
    from diagnose.casebook.learning import cases_behind, learn
    from diagnose.casebook.scoring import blocks_of, foretold, in_order
    from diagnose.knowledge.folder import find_knowledge, overlay_path
    from diagnose.knowledge.overlay import overlay_text, write_overlay

    screen = Screen(request.no_color)
    knowledge = load(request.knowledge, learned=False)
    path = overlay_path(find_knowledge(request.knowledge), chosen_overlay.get())
    store = store_at(request.store)
    outcomes, issues = closed_cases(store, LATEST)
    confirmed = in_order(outcomes)[-LATEST:]
    if not confirmed:
        _say_empty(request, screen, len(outcomes))
        return _end(issues)
    wirings = wirings_of(knowledge, screen.plain)
    counts = store.counts()
    learning = learn(counts, wirings, {} if request.no_ids else cases_behind(confirmed))
    judged = foretold(blocks_of(counts, confirmed, JUDGED), wirings)
    refused = judged.worse and not request.anyway
    if request.picture is not None:
        from diagnose.cli.pictures import intervals_svg, write_picture

        write_picture(request.picture, intervals_svg(_rows(learning, PICTURED)))
    written = not request.dry_run and not refused
    if written:
        write_overlay(learning.overlay, path)
    if request.json:
        print(json_text.dumps(_object(learning, judged, path, written), indent=2))
    else:
        _show(screen, learning)
        _say_end(screen, request, judged, path, written)
        if request.dry_run and not refused and request.picture is None:
            lines = overlay_text(learning.overlay).count("\n")
            screen.para(f"The file would have {lines} lines.")
    return _end(issues) or int(refused)


def closed_cases(store: CaseStore, latest: int) -> tuple[list[Outcome], list[Issue]]:
    """Outcomes of a store's latest closed cases at least, and what is wrong with the unreadable."""
    return list(store.outcomes(latest)), list(store.unreadable())


def wirings_of(knowledge: KnowledgeBase, plain: bool) -> Wirings:
    """The wirings of cases, their matrices from the cache or computed now."""
    from diagnose.casebook.wirings import Wirings

    return Wirings(knowledge, lambda installation: matrix_of(knowledge, installation, plain))


def _end(issues: Sequence[Issue]) -> int:
    if issues:
        raise DiagnoseError(issues)
    return 0


def _say_empty(request: LearnRequest, screen: Screen, closed: int) -> None:
    if request.json:
        print(json_text.dumps({"cases": 0, "closed": closed, "written": None}))
        return
    screen.para(
        f"Nothing to learn from: {closed} cases are closed and none of them is confirmed. A case "
        "counts once 'diagnose close' has said what was really found and how that was confirmed."
    )


# ---------------------------------------------------------------------- showing


def _ordered(learning: Learning) -> dict[str, list[tuple[Key, Learned]]]:
    """Numbers by section, those first whose interval lies farthest from the handbook."""
    found: dict[str, list[tuple[Key, Learned]]] = {name: [] for name in TITLES}
    for key, number in learning.overlay.numbers.items():
        found[key[0]].append((key, number))

    def far(pair: tuple[Key, Learned]) -> tuple[float, Key]:
        n = pair[1]
        width = max(math.log(n.high / n.low), 0.05)
        return -abs(math.log(n.value / n.handbook)) / width, pair[0]

    return {name: sorted(pairs, key=far) for name, pairs in found.items() if pairs}


def _name(key: Key) -> str:
    _, _, site, name = key
    return f"{name} at {site}" if site else name


def _shown(section: str) -> float:
    """What a number is multiplied with to be shown: chances are in per cent."""
    return 100.0 if section in ("wrong_answers", "wrong_by_phone") else 1.0


def _titled(section: str) -> str:
    unit = {"rates": "/Mh", "wrong_answers": "%", "wrong_by_phone": "%"}.get(section, "min")
    return f"{TITLES[section]}, {unit}"


def _rows(learning: Learning, most: int) -> list[tuple[str, str, float, float, float, float, int]]:
    """Section, name, handbook, value, low, high, cases of the numbers that moved most."""
    found = []
    for section, pairs in _ordered(learning).items():
        k = _shown(section)
        for key, n in pairs[:most]:
            figures = (k * n.handbook, k * n.value, k * n.low, k * n.high, n.cases)
            found.append((_titled(section), _name(key), *figures))
    return found


def _show(screen: Screen, learning: Learning) -> None:
    overlay = learning.overlay
    screen.rule("Learned", f"from {overlay.cases} confirmed cases")
    if learning.used < 1:
        screen.para(
            f"{1 - learning.used:.0%} of the cases are about wirings that the knowledge no longer "
            "holds, or about too rare ones; they are left out."
        )
    if learning.rates is not None:
        screen.para(_weight(learning))
    for section, pairs in _ordered(learning).items():
        screen.line()
        screen.line(_heading(section, pairs), style="bold")
        for line in _lines(section, pairs[:SHOWN], screen.width):
            screen.line(line)
        if len(pairs) > SHOWN:
            screen.line(f"  … and {len(pairs) - SHOWN} more that moved less")


def _weight(learning: Learning) -> str:
    fit = learning.rates
    assert fit is not None
    if fit.handbook > 0.5:
        return "The cases agree with the handbook's failure rates; they hardly move."
    often = math.exp(fit.spread)
    return (
        f"Rates here differ from the handbook's by about a factor of {often:.1f}; a handbook rate "
        f"counts for {fit.weight:.1f} cases of its failure mode."
    )


def _heading(section: str, pairs: Sequence[tuple[Key, Learned]]) -> str:
    return f"{_titled(section)} ({len(pairs)}): handbook → learned (95 %), cases"


def _lines(section: str, pairs: Sequence[tuple[Key, Learned]], width: int) -> Iterator[str]:
    """One line for each number: name, figures, and a bar on a logarithmic scale."""
    room = max(width - BAR - 32, 16)
    for key, n in pairs:
        book, value, low, high = (_shown(section) * x for x in (n.handbook, n.value, n.low, n.high))
        figures = f"{book:.3g} → {value:.3g} ({low:.2g}..{high:.2g})"
        name = _name(key)
        name = name if len(name) <= room else name[: room - 1] + "…"
        yield f"  {name:<{room}} {figures:<24}{n.cases:>4} {bar(n)}"


def bar(number: Learned) -> str:
    """The interval as a bar about the handbook's value, which stands in the middle at ``|``.

    The whole width is a factor of 10 either way.
    """
    middle = BAR // 2

    def place(x: float) -> int:
        shift = math.log10(x / number.handbook) * middle
        return max(0, min(2 * middle, middle + round(shift)))

    line = [" "] * (2 * middle + 1)
    for k in range(place(number.low), place(number.high) + 1):
        line[k] = "─"
    line[middle] = "|"
    line[place(number.value)] = "●"
    return "".join(line).rstrip()


def _say_end(
    screen: Screen, request: LearnRequest, judged: Foretold, path: Path, written: bool
) -> None:
    screen.line()
    if judged.cases:
        screen.para(
            f"Foretelling the causes of {judged.cases} later cases from earlier ones only: log "
            f"loss {judged.learned:.3f} as learned, {judged.handbook:.3f} by the handbook."
        )
    else:
        screen.para("Too few cases to foretell later ones from earlier ones.")
    if request.dry_run:
        screen.para("Nothing was written (--dry-run); it would be")
        screen.line(f"  {path}")
    elif written:
        screen.para("Written; the commands use it from now on:")
        screen.line(f"  {path}")
    if judged.worse and not request.anyway:
        screen.para(
            "Refused: what was learned foretells worse than the handbook. More cases will tell; "
            "--anyway writes it all the same.",
            style="red",
        )


def _object(learning: Learning, judged: Foretold, path: Path, written: bool) -> dict[str, Any]:
    overlay = learning.overlay
    return {
        "cases": overlay.cases,
        "learned": overlay.learned,
        "share_used": learning.used,
        "weights": dict(overlay.weights),
        "foretold": {**asdict(judged), "worse": judged.worse},
        "path": str(path),
        "written": written,
        "numbers": [
            {
                "section": key[0],
                "installation": key[1],
                "site": key[2] or None,
                "name": key[3],
                "handbook": n.handbook,
                "value": n.value,
                "low": n.low,
                "high": n.high,
                "cases": n.cases,
                "ids": list(n.ids),
            }
            for key, n in sorted(overlay.numbers.items())
        ],
    }
