"""What a certificate of electrical work asks for, and what of it the case holds; no certificate.

The items are particulars and test results of IEC 60364-6 (6.4.3, in its order) and of the form for
minor works in BS 7671, appendix 6. What the case does not hold is said not to be on record.
"""

from __future__ import annotations

from collections.abc import Iterator

from diagnose.cli.matter import Matter, free
from diagnose.knowledge.names import spec_of
from diagnose.language import gettext as _
from diagnose.language import marked
from diagnose.report.document import Block, Column, Heading, Paragraph, Runs, Table, runs

RESULTS = {
    "pass": marked("passed"),
    "fail": marked("FAILED"),
    "cannot": marked("could not be made"),
}
"""Of a check after a repair, in words."""
PARTICULARS = ("region", "source", "residual", "overload", "surge")
"""Variants that say how the installation is fed and protected."""
TESTS = (
    (
        marked("Continuity of protective conductors"),
        ("main_earth_continuity", "frame_earth", "rule_earth_continuity"),
    ),
    (marked("Insulation resistance"), ("insulation",)),
    (marked("Earth fault loop"), ("rule_earth_fault_loop",)),
    (marked("Residual-current device, tripped"), ("rcd_button", "rule_licensed_trip_test")),
    (marked("Direction of rotation"), ("rule_direction_of_rotation",)),
)
"""What it is called, and the ids of the tests and checks that are it, or the instrument's word."""


def safety_of(matter: Matter) -> Iterator[Block]:
    """Supply, protection and the tests of IEC 60364-6 as far as the case holds them."""
    kind, choices = matter.installation.type, matter.installation.choices
    rows: list[tuple[Runs, Runs]] = []
    for name in PARTICULARS:
        if name in choices:
            variant = kind.variants[name]
            rows.append((runs(_(variant.title)), runs(_(variant.choices[choices[name]].title))))
    missing = _("not on record")
    rows.append((runs(_("Earthing system")), runs(missing)))
    for title, named in TESTS:
        rows.append((runs(_(title)), runs("; ".join(_found(matter, named)) or missing)))
    yield Heading(2, _("Supply, protection and safety tests"))
    yield Paragraph(
        runs(
            _(
                "This report is no certificate of inspection and testing. Where the local code "
                "asks for one after this work, a licensed electrician makes it out separately."
            )
        ),
        "small",
    )
    columns = (Column(_("What"), width=4), Column(_("On record"), width=6))
    yield Table("", columns, tuple(rows))


def _found(matter: Matter, named: tuple[str, ...]) -> Iterator[str]:
    """Readings and checks that are one of these, in order."""
    for reading in matter.account.readings:
        insulation = "insulation" in named and reading.instrument == "insulation_tester"
        if insulation or spec_of(reading.test) in named:
            yield f"{reading.title}: {free(reading.raw)}"
    for repair in matter.account.repairs:
        for check, title, result in repair.checks:
            name = check.removeprefix("rule_")
            if check in named or ("insulation" in named and name.startswith("insulation")):
                yield f"{free(title)}: {_(RESULTS.get(result, result))}"
