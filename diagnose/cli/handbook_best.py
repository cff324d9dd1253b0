"""The chapter of the handbook that says which test tells each failure mode best."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import groupby
from typing import TYPE_CHECKING

from diagnose.cli.render import sentence
from diagnose.language import gettext as _
from diagnose.plant.matrix import HEALTHY
from diagnose.reasoning.distinguishing import Distinction, distinctions
from diagnose.report.document import (
    Block,
    Column,
    Heading,
    Paragraph,
    Runs,
    Table,
    em,
    runs,
    strong,
)

if TYPE_CHECKING:
    from diagnose.knowledge.records import KnowledgeBase
    from diagnose.plant.compose import Installation
    from diagnose.plant.matrix import DependencyMatrix
    from diagnose.plant.procedures import InstalledTest


def best_tests(
    knowledge: KnowledgeBase,
    installation: Installation,
    matrix: DependencyMatrix,
    tests: Mapping[str, InstalledTest],
) -> Iterator[Block]:
    """For every failure mode its best test, and its nearest rival with the test that parts them."""
    found = distinctions(
        matrix,
        {name: mode.mode.rate.nominal for name, mode in installation.modes.items()},
        {name: test.minutes for name, test in tests.items()},
        {name for name, test in tests.items() if test.spec.state == "live"},
    )
    yield Heading(1, _("What tells each failure mode best"))
    text = _(
        "Best: the test that parts it from most of what shows under the same complaints. Nearest: "
        "what is hardest to part from it, with the test that does so best."
    )
    yield Paragraph(runs(text), "small")
    columns = (
        Column(_("Failure mode"), width=4),
        Column(_("Best test"), width=4),
        Column(_("Nearest"), width=5),
    )
    for unit, group in groupby(installation.modes.values(), key=lambda m: m.unit):
        rows = tuple(_row(installation, tests, found[mode.id]) for mode in group)
        yield Heading(2, sentence(_(installation.instances[unit].title)))
        yield Table("", columns, rows)


def _row(
    installation: Installation, tests: Mapping[str, InstalledTest], found: Distinction
) -> tuple[Runs, ...]:
    def title(test: str) -> str:
        return sentence(_(tests[test].title)) if test else _("no test")

    if found.rivals:
        text = _("from {parted} of {rivals} others")
        against = text.format(parted=found.parted, rivals=found.rivals)
    else:
        against = _("from a healthy installation")
    if found.nearest == HEALTHY:
        nearest = _("a healthy installation")
    else:
        mode = installation.modes[found.nearest]
        nearest = f"{_(installation.instances[mode.unit].title)}: {_(mode.title)}"
    return (
        runs(strong(_(installation.modes[found.mode].title))),
        runs(title(found.test), em(f"\n{against}")),
        runs(nearest, em(f"\n{title(found.nearest_test)}")),
    )
