"""``diagnose check --mode``: which test tells a failure mode best, and from what."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING

from diagnose.cli.shown import print_json, print_lines
from diagnose.errors import fail
from diagnose.knowledge.checks_base import nearest
from diagnose.knowledge.load import find_knowledge, load_knowledge
from diagnose.plant.matrix import HEALTHY, MatrixBuilder
from diagnose.plant.procedures import installed_tests, outcomes_here
from diagnose.plant.wiring import named_installations, parse_installation
from diagnose.reasoning.distinguishing import Distinction, distinctions
from diagnose.reasoning.separation import SEPARATED, SHOWN, ambiguity_groups

if TYPE_CHECKING:
    from diagnose.cli.check import Examined
    from diagnose.knowledge.records import KnowledgeBase

ALL = "all"
WIDTH = 80


def run_mode(knowledge_dir: str | None, wanted: str, where: str | None, as_json: bool) -> int:
    """Print what tells one failure mode, or ``all`` of them, on one installation.

    Raises
    ------
    DiagnoseError
        There is no such failure mode or installation.
    """
    from diagnose.cli.check import examine

    kb = load_knowledge(find_knowledge(knowledge_dir))
    named = parse_installation(kb, where) if where else named_installations(kb)[0]
    examined = examine(kb, named)
    found = distinctions_of(kb, examined)
    if wanted != ALL and wanted not in found:
        message = f"there is no failure mode '{wanted}' on {named.name}"
        raise fail("unknown-id", message, None, nearest(wanted, found))
    chosen = found if wanted == ALL else {wanted: found[wanted]}
    if as_json:
        data = {"installation": named.name, "modes": [asdict(d) for d in chosen.values()]}
        print_json(data)
        return 0
    lines = _all(examined, chosen) if wanted == ALL else _one(kb, examined, found[wanted])
    print_lines(lines)
    return 0


def distinctions_of(kb: KnowledgeBase, examined: Examined) -> dict[str, Distinction]:
    """The best test of every failure mode of an installation."""
    installation = examined.installation
    tests = installed_tests(kb, installation, MatrixBuilder.circuit_of(installation))
    rates = {name: mode.mode.rate.nominal for name, mode in installation.modes.items()}
    minutes = {name: test.minutes for name, test in tests.items()}
    live = {name for name, test in tests.items() if test.spec.state == "live"}
    return distinctions(examined.matrix, rates, minutes, live)


def _wrapped(text: str, indent: int = 0) -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent + 2),
        break_on_hyphens=False,
    )


def _title(examined: Examined, mode: str) -> str:
    if mode == HEALTHY:
        return "a healthy installation"
    fitted = examined.installation.modes[mode]
    return f"{examined.installation.instances[fitted.unit].title}: {fitted.title}"


def _all(examined: Examined, found: Mapping[str, Distinction]) -> Iterator[str]:
    yield from _wrapped(f"Installation {examined.name}: the test that tells each failure mode best")
    for d in found.values():
        yield ""
        yield from _wrapped(d.mode)
        yield from _wrapped(f"best: {_best(d)}", 2)
        yield from _wrapped(f"nearest: {_nearest(d)}", 2)


def _best(d: Distinction) -> str:
    if not d.test:
        return "no test tells it"
    from_what = f"{d.parted} of {d.rivals} rivals" if d.rivals else "a healthy installation"
    return f"{d.test}, from {from_what}"


def _nearest(d: Distinction) -> str:
    what = "a healthy installation" if d.nearest == HEALTHY else d.nearest
    return f"{what}, told by {d.nearest_test or 'no test'}"


def _one(kb: KnowledgeBase, examined: Examined, d: Distinction) -> Iterator[str]:
    matrix, mode = examined.matrix, examined.installation.modes[d.mode].mode
    row = matrix.rows.index(d.mode)
    yield from _wrapped(f"{d.mode} on installation {examined.name}")
    yield from _wrapped(_title(examined, d.mode), 2)
    yield from _wrapped(f"{mode.rate.nominal:g} per million hours ({mode.rate.source})", 2)
    shown = [
        f"{kb.complaints[c].title} {p[row]:.0%}"
        for c, p in matrix.complaints.items()
        if p[row] >= SHOWN
    ]
    yield from _wrapped(f"Shows as: {', '.join(shown) or 'no complaint'}", 2)
    yield ""
    yield from _wrapped(f"Best test: {_best(d)}")
    if d.test:
        yield from _test(kb, examined, d, d.test, (d.mode, HEALTHY))
    yield from _wrapped(f"Nearest rival: {_title(examined, d.nearest)}")
    if d.nearest_test:
        yield from _test(kb, examined, d, d.nearest_test, (d.mode, d.nearest))
    else:
        yield from _wrapped("no test parts the two", 2)
    for group in ambiguity_groups(matrix):
        if d.mode in group.modes and len(group.modes) > 1:
            others = [_title(examined, m) for m in group.modes if m != d.mode]
            yield from _wrapped(f"Told by no test (distance {SEPARATED:g}) from:")
            for other in others:
                yield from _wrapped(f"- {other}", 2)


def _test(
    kb: KnowledgeBase, examined: Examined, d: Distinction, test: str, rows: tuple[str, str]
) -> Iterator[str]:
    name, _, it = test.partition("@")
    spec = kb.tests[name]
    outcomes = outcomes_here(examined.installation, spec, it)
    yield from _wrapped(f"{test}: at the {spec.place_at}, {spec.state}", 2)
    for row in rows:
        p = examined.matrix.of(row, test)
        likely = [
            f"{o.title} {share:.0%}" for o, share in zip(outcomes, p, strict=True) if share >= SHOWN
        ]
        name = "with it" if row == d.mode else "healthy" if row == HEALTHY else "rival"
        yield from _wrapped(f"{name}: {'; '.join(likely)}", 4)
