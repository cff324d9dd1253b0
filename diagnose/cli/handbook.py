"""``diagnose handbook``: all that is known about one installation, on paper, for the van."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from diagnose.cli import formats
from diagnose.cli.handbook_best import best_tests
from diagnose.cli.render import INSTRUMENTS, STATES, name_of, sentence
from diagnose.interview.asking import typed_unit
from diagnose.interview.telling import EXPECTED, with_limits
from diagnose.knowledge.records import PLACES
from diagnose.language import current
from diagnose.language import gettext as _
from diagnose.plant.matrix import HEALTHY, MatrixBuilder
from diagnose.plant.procedures import InstalledTest, installed_tests
from diagnose.reasoning.belief import UNKNOWN, Belief, Hypotheses
from diagnose.report.document import (
    Block,
    Caution,
    Column,
    Document,
    Heading,
    KeyValues,
    Letterhead,
    PageBreak,
    Paper,
    Paragraph,
    Run,
    Runs,
    Table,
    em,
    mono,
    runs,
    strong,
)

if TYPE_CHECKING:
    from diagnose.cli.firm import Firm
    from diagnose.cli.report import Wanted
    from diagnose.knowledge.records import KnowledgeBase
    from diagnose.plant.compose import Installation, InstalledMode
    from diagnose.plant.matrix import DependencyMatrix

LEADING = 8
"""Causes listed for each complaint."""


def run_handbook(
    kind: str | None, variants: Sequence[str], wanted: Wanted, knowledge: str | None
) -> int:
    """Write the handbook of one installation; the exit code.

    Raises
    ------
    DiagnoseError
        There is no such installation, or an option cannot be used.
    """
    from diagnose.cli.common import load, matrix_of, settings
    from diagnose.cli.firm import firm_at
    from diagnose.cli.report import write
    from diagnose.plant.compose import compose_ready

    wanted = wanted.checked()
    firm = firm_at(wanted.firm)
    base = load(knowledge)
    kind = kind or next(iter(base.installations))
    installation = compose_ready(base, kind, settings(variants))
    matrix = matrix_of(base, installation, wanted.no_color)
    document = handbook(base, installation, matrix, firm, wanted.paper_for(firm))
    write(document, wanted, f"{kind}-handbook")
    return 0


def handbook(
    knowledge: KnowledgeBase,
    installation: Installation,
    matrix: DependencyMatrix,
    firm: Firm,
    paper: Paper = "a4",
) -> Document:
    """The handbook as a document, in the language in use."""
    book = _Book(knowledge, installation, matrix)
    name = " ".join(firm.name.split())[:90]
    title = _("Fault handbook")
    return Document(
        title=title,
        subtitle=_(installation.type.title),
        blocks=tuple(book.blocks()),
        language=current().tag,
        paper=paper,
        author=name,
        subject=_(installation.type.title),
        running=title,
        footer=_("Knowledge {digest}").format(digest=knowledge.digest[:12]),
        contents=True,
        letterhead=Letterhead(name, firm.address[:4], firm.logo) if name else None,
    )


class _Book:
    """The chapters of one installation."""

    def __init__(
        self, knowledge: KnowledgeBase, installation: Installation, matrix: DependencyMatrix
    ) -> None:
        self.knowledge, self.installation, self.matrix = knowledge, installation, matrix
        circuit = MatrixBuilder.circuit_of(installation)
        self.tests = installed_tests(knowledge, installation, circuit)
        self.sources: dict[str, None] = {}

    def blocks(self) -> Iterator[Block]:
        yield PageBreak()
        yield from self._safety()
        yield from self._wiring()
        yield PageBreak()
        yield from self._complaints()
        yield PageBreak()
        yield from self._modes()
        yield from best_tests(self.knowledge, self.installation, self.matrix, self.tests)
        yield PageBreak()
        yield from self._tests()
        yield PageBreak()
        yield from self._sources()

    def _source(self, name: str) -> Run:
        self.sources[name] = None
        return mono(name)

    def _safety(self) -> Iterator[Block]:
        yield Heading(1, _("Safety"))
        for caution in self.knowledge.cautions.values():
            yield Caution(_(caution.text))

    def _wiring(self) -> Iterator[Block]:
        yield Heading(1, _("This installation"))
        kind = self.installation.type
        rows = tuple(
            (_(kind.variants[name].title), runs(_(kind.variants[name].choices[choice].title)))
            for name, choice in self.installation.choices.items()
        )
        yield KeyValues(rows)
        yield Heading(2, _("Units"))
        columns = (
            Column(_("Unit"), width=4),
            Column(_("Kind"), width=4),
            Column(_("Where"), width=2),
        )
        units = tuple(
            (
                runs(sentence(_(one.title))),
                runs(_(self.installation.part_of(name).title)),
                runs(name_of(one.where)),
            )
            for name, one in self.installation.instances.items()
        )
        yield Table("", columns, units)

    def _complaints(self) -> Iterator[Block]:
        yield Heading(1, _("Complaints"))
        yield Paragraph(
            runs(_("The likeliest causes by the complaint alone, before any test.")), "small"
        )
        rates = {n: m.mode.rate.nominal for n, m in self.installation.modes.items()}
        errors = {n: t.error for n, t in self.tests.items()}
        table = Hypotheses.of(self.matrix, rates, errors)
        columns = (Column(_("Cause"), width=8), Column(_("Share"), "end", 1))
        for name in self.matrix.complaints:
            complaint = self.knowledge.complaints[name]
            yield Heading(2, _(complaint.title))
            yield Paragraph(runs(em(_(complaint.says))))
            ranking = Belief(table, table.prior((name,))).ranking()
            rows = tuple(
                (runs(self._cause(mode)), runs(formats.percent(p)))
                for mode, p in [(m, p) for m, p in ranking if m != UNKNOWN][:LEADING]
                if p >= 0.005
            )
            yield Table("", columns, rows)

    def _cause(self, name: str) -> str:
        mode = self.installation.modes[name]
        unit, title = _(self.installation.instances[mode.unit].title), _(mode.title)
        return f"{unit}: {title[0].lower()}{title[1:]}"

    def _modes(self) -> Iterator[Block]:
        yield Heading(1, _("Failure modes"))
        yield Paragraph(
            runs(_("Rate: failures per million hours of service, as assumed; then its source.")),
            "small",
        )
        columns = (
            Column(_("Failure mode"), width=3.4),
            Column(_("Rate"), width=2.2),
            Column(_("Signs"), width=3),
            Column(_("Repair"), width=3.6),
            Column(_("Look for"), width=3),
        )
        modes = self.installation.modes.values()
        for unit, group in groupby(modes, key=lambda m: m.unit):
            rows = tuple(self._mode(mode) for mode in group)
            yield Heading(2, sentence(_(self.installation.instances[unit].title)))
            yield Table("", columns, rows)

    def _mode(self, installed: InstalledMode) -> tuple[Runs, ...]:
        mode = installed.mode
        signs = []
        for name, word in mode.signs.items():
            sign = self.knowledge.signs.get(name)
            if sign is not None:
                signs.append(f"{_(sign.title)} ({_(word.replace('_', ' '))})")
        licensed = em("\n" + _("a licensed electrician only")) if mode.licensed else Run("")
        spares = em("\n" + "; ".join(_(s) for s in mode.spares)) if mode.spares else Run("")
        return (
            runs(strong(_(mode.title)), licensed),
            runs(f"{mode.rate.nominal:g}\n", self._source(mode.rate.source)),
            runs("; ".join(signs) or "–"),
            runs(_(mode.remedy), spares),
            runs("; ".join(_(c) for c in mode.root_causes) or "–"),
        )

    def _tests(self) -> Iterator[Block]:
        yield Heading(1, _("Tests"))
        yield Paragraph(
            runs(_("In bold: what a healthy installation shows. Limits are those of the tool.")),
            "small",
        )
        columns = (
            Column(_("Test"), width=6),
            Column(_("With, state"), width=2.8),
            Column(_("Outcomes and limits"), width=4.2),
            Column(_("Source"), width=2.2),
        )
        order = {place: k for k, place in enumerate(PLACES)}
        states = {state: k for k, state in enumerate(("any", "energised", "dead", "live"))}

        def key(test: InstalledTest) -> tuple[int, int]:
            return order[test.spec.place_at], states[test.spec.state]

        for _place, group in groupby(sorted(self.tests.values(), key=key), key=key):
            tests = list(group)
            first = tests[0].spec
            place, state = name_of(first.place_at), name_of(first.state, STATES)
            yield Heading(2, f"{sentence(place)}: {state}")
            yield Table("", columns, tuple(self._test(test) for test in tests))

    def _test(self, test: InstalledTest) -> tuple[Runs, ...]:
        how = name_of(test.spec.instrument, INSTRUMENTS)
        minutes = formats.number(test.minutes, 1).removesuffix(".0")
        about = _("about {minutes} min").format(minutes=minutes)
        source = (self._source(test.spec.source),) if test.spec.source else ()
        return (
            runs(strong(sentence(_(test.title))), f"\n{_(test.do)}"),
            runs(how, em(f"\n{about}")),
            self._outcomes(test),
            runs(*source),
        )

    def _outcomes(self, test: InstalledTest) -> Runs:
        p = self.matrix.of(HEALTHY, test.id)
        healthy = {k for k in range(len(test.outcomes)) if p[k] >= EXPECTED}
        healthy = healthy or {int(np.argmax(p))}
        lines: list[Run] = []
        low: float | None = None
        for k, outcome in enumerate(test.outcomes):
            text = _(outcome.title)
            if test.spec.unit and not outcome.when:
                text = with_limits(text, low, outcome.below, test.spec.unit)
                low = outcome.below
            end = "\n" if k < len(test.outcomes) - 1 else ""
            lines.append(strong(text + end) if k in healthy else Run(text + end))
        if test.spec.unit:
            lines.append(em("\n" + _("typed in {unit}").format(unit=typed_unit(test))))
        return tuple(lines)

    def _sources(self) -> Iterator[Block]:
        yield Heading(1, _("Sources"))
        columns = (
            Column(_("Id"), width=2),
            Column(_("Source"), width=6),
            Column(_("Kind"), width=2),
        )
        rows = []
        for name in sorted(self.sources):
            source = self.knowledge.sources.get(name)
            if source is None:
                continue
            detail = ", ".join(part for part in (source.edition, source.clause) if part)
            title = f"{source.title}, {detail}" if detail else source.title
            rows.append((runs(mono(name)), runs(title), runs(_(source.kind))))
        yield Table("", columns, tuple(rows))
        yield KeyValues(((_("Knowledge"), runs(mono(self.knowledge.digest))),))
