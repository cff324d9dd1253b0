"""`diagnose check`: what is wrong with the knowledge, and what its tests can tell apart."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from diagnose.cli.common import progress_bar
from diagnose.cli.shown import print_json, print_lines
from diagnose.errors import DiagnoseError, Issue, fail
from diagnose.interview.verified import verification_issues
from diagnose.knowledge.checks import in_order
from diagnose.knowledge.checks_sources import WEAK_KINDS, numbers_by_source_kind
from diagnose.knowledge.family import Family
from diagnose.knowledge.load import find_knowledge, load_knowledge
from diagnose.knowledge.practice_reading import practice_issues
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.cache import matrix_for
from diagnose.plant.compose import Installation
from diagnose.plant.designed import designed_issues, of_installation
from diagnose.plant.matrix import DependencyMatrix
from diagnose.plant.wiring import Named, compose_named, named_installations, parse_installation
from diagnose.reasoning.checks import check_all, matrix_issues
from diagnose.reasoning.separation import (
    Group,
    Hanging,
    Testability,
    ambiguity_groups,
    hanging_on_one_test,
    testability,
    undetected,
    useless_tests,
)

QUICK = 4
"""Installations examined unless more are asked for."""
WIDTH = 80
LISTED = 10
"""Pairs and groups listed in plain output; the JSON has them all."""


@dataclass(frozen=True)
class Asked:
    """What else the options ask for: one failure mode, or an earlier state to compare with."""

    mode: str | None = None
    against: str | None = None


@dataclass(frozen=True)
class Examined:
    """What the dependency matrix of one installation says about its tests."""

    name: str
    installation: Installation
    matrix: DependencyMatrix
    groups: list[Group]
    undetected: tuple[str, ...]
    useless: tuple[str, ...]
    hanging: list[Hanging]
    figures: Testability
    by_rate: Testability

    @property
    def counts(self) -> dict[str, int]:
        """How much there is in this installation."""
        units = {mode.unit for mode in self.installation.modes.values()}
        return {
            "failure_modes": len(self.installation.modes),
            "units": len(units),
            "tests": len(self.matrix.tests),
        }


def examine(kb: KnowledgeBase, named: Named) -> Examined:
    """Compute everything about one installation, its matrix from the cache where it is there.

    Raises
    ------
    DiagnoseError
        It cannot be built or simulated.
    """
    installation = compose_named(kb, named)
    with progress_bar(f"Computing what each test would show ({named.name})") as report:
        matrix = matrix_for(kb, installation, report)
    rates = {name: mode.mode.rate.nominal for name, mode in installation.modes.items()}
    return Examined(
        name=named.name,
        installation=installation,
        matrix=matrix,
        groups=ambiguity_groups(matrix),
        undetected=undetected(matrix),
        useless=useless_tests(matrix),
        hanging=hanging_on_one_test(matrix),
        figures=testability(matrix),
        by_rate=testability(matrix, weights=rates),
    )


def run_check(
    knowledge_dir: str | None,
    as_json: bool = False,
    installations: Sequence[str] = (),
    everything: bool = False,
    asked: Asked = Asked(),
) -> int:
    """Check the knowledge and print what was found, or answer what is `asked` of it.

    Parameters
    ----------
    knowledge_dir
        See `find_knowledge`.
    installations
        Names (``default``, a preset, ``variant=choice,...``) to examine; else the first `QUICK`,
        or with `everything` all that `named_installations` lists. None are examined while the
        knowledge has errors.

    Returns
    -------
    int
        Exit code: 1 where the knowledge has errors, files that cannot be read included.

    Raises
    ------
    DiagnoseError
        There is no such folder or installation.
    """
    if asked.mode is not None or asked.against is not None:
        return _asked(knowledge_dir, as_json, installations, everything, asked)
    folder = find_knowledge(knowledge_dir)
    issues: list[Issue]
    kb: KnowledgeBase | None = None
    examined: list[Examined] = []
    try:
        kb = load_knowledge(folder)
        issues = in_order([*check_all(kb), *practice_issues(kb)])
    except DiagnoseError as problem:
        issues = in_order(problem.issues)
    if kb is not None and not _errors(issues):
        chosen = [parse_installation(kb, text) for text in installations]
        chosen = chosen or named_installations(kb)[: None if everything else QUICK]
        for named in chosen:
            try:
                examined.append(examine(kb, named))
            except DiagnoseError as problem:
                if installations:
                    raise
                issues = in_order([*issues, *problem.issues])
        shortcomings = [
            issue
            for e in examined
            for issue in of_installation(designed_issues(e.installation), e.name)
        ]
        shown = [*matrix_issues(kb, _pairs(examined)), *verification_issues(kb, _pairs(examined))]
        issues = in_order([*issues, *shortcomings, *shown])
    if as_json:
        print_json(as_object(kb, issues, examined))
    else:
        print_lines(as_text(kb, issues, examined))
    return 1 if _errors(issues) else 0


def _asked(
    knowledge_dir: str | None,
    as_json: bool,
    installations: Sequence[str],
    everything: bool,
    asked: Asked,
) -> int:
    if asked.mode is not None and asked.against is not None:
        raise fail("option", "--mode and --against exclude one another")
    if everything or (asked.mode is not None and len(installations) > 1):
        raise fail("option", "--mode goes with one --installation, --against with no --all")
    if asked.against is not None:
        from diagnose.cli.check_against import run_against

        return run_against(knowledge_dir, asked.against, installations, as_json)
    from diagnose.cli.check_mode import run_mode

    assert asked.mode is not None
    return run_mode(knowledge_dir, asked.mode, next(iter(installations), None), as_json)


def _errors(issues: Sequence[Issue]) -> list[Issue]:
    return [issue for issue in issues if issue.severity == "error"]


def _pairs(examined: Sequence[Examined]) -> list[tuple[Installation, DependencyMatrix]]:
    return [(e.installation, e.matrix) for e in examined]


def counts_of(kb: KnowledgeBase | None) -> dict[str, int]:
    """How much the knowledge holds.

    Failure modes and tests as written, once for each part type or template, however often they
    are fitted; units over all variants; installations by name.
    """
    if kb is None:
        return dict.fromkeys(
            ("failure_modes", "units", "tests", "complaints", "rules", "installations"), 0
        )
    family = Family.all_of(kb)
    return {
        "failure_modes": sum(len(part.failure_modes) for part in kb.parts.values()),
        "units": sum(bool(family.modes(name)) for name in family.fitted),
        "tests": len(kb.tests),
        "complaints": len(kb.complaints),
        "rules": len(kb.rules),
        "installations": len(named_installations(kb)),
    }


def as_object(
    kb: KnowledgeBase | None, issues: Sequence[Issue], examined: Sequence[Examined]
) -> dict[str, Any]:
    """The report as plain mappings and lists; what hangs on an installation is by its name."""

    def figures(e: Examined) -> dict[str, Any]:
        return {**asdict(e.figures), "by_rate": asdict(e.by_rate)}

    def installation(e: Examined) -> dict[str, Any]:
        kind = e.installation.type.id
        return {"kind": kind, "choices": dict(e.installation.choices), "counts": e.counts}

    return {
        "errors": [_issue_object(i) for i in issues if i.severity == "error"],
        "warnings": [_issue_object(i) for i in issues if i.severity == "warning"],
        "ambiguity_groups": {e.name: [asdict(g) for g in e.groups] for e in examined},
        "counts": counts_of(kb),
        "numbers_by_source_kind": numbers_by_source_kind(kb) if kb else {},
        "testability": {e.name: figures(e) for e in examined},
        "undetected": {e.name: list(e.undetected) for e in examined},
        "useless_tests": {e.name: list(e.useless) for e in examined},
        "hanging_on_one_test": {e.name: [asdict(h) for h in e.hanging] for e in examined},
        "installations": {e.name: installation(e) for e in examined},
    }


def _issue_object(issue: Issue) -> dict[str, Any]:
    place = issue.place
    return {
        "code": issue.code,
        "message": issue.message,
        "file": place.file if place else None,
        "line": place.line if place else None,
        "column": place.column if place else None,
        "legal": list(issue.legal),
    }


def as_text(
    kb: KnowledgeBase | None, issues: Sequence[Issue], examined: Sequence[Examined]
) -> Iterator[str]:
    """The report in lines of at most `WIDTH` columns."""
    for severity in ("error", "warning"):
        found = [issue for issue in issues if issue.severity == severity]
        yield f"{len(found)} {severity}{'' if len(found) == 1 else 's'}"
        for issue in found:
            yield from _wrapped(str(issue), "  ")
    if kb is None:
        return
    yield ""
    counts = ", ".join(f"{n} {what.replace('_', ' ')}" for what, n in counts_of(kb).items())
    yield from _wrapped(f"Knowledge: {counts}", "")
    yield from _numbers_text(numbers_by_source_kind(kb))
    if _errors(issues) and not examined:
        yield "Installations are examined once the errors are mended."
    for e in examined:
        yield ""
        yield from _installation_text(e)


def _numbers_text(numbers: Mapping[str, int]) -> Iterator[str]:
    total = sum(numbers.values())
    if total:
        shares = ", ".join(f"{kind} {count}" for kind, count in numbers.items() if count)
        weak = sum(numbers[kind] for kind in WEAK_KINDS) / total
        text = f"Numbers by kind of source: {shares}; judgement or memory {weak:.0%}"
        yield from _wrapped(text, "")


def _installation_text(e: Examined) -> Iterator[str]:
    counts = ", ".join(f"{n} {what.replace('_', ' ')}" for what, n in e.counts.items())
    yield from _wrapped(f"Installation {e.name}: {counts}", "")
    for label, figures in (("", e.figures), (", by failure rate", e.by_rate)):
        text = (
            f"Detected{label} {figures.detected:.1%}; of these narrowed down to one unit "
            f"{figures.to_one:.1%}, to two {figures.to_two:.1%}, to three {figures.to_three:.1%}; "
            f"mean ambiguity group {figures.mean_group:.2f} units"
        )
        yield from _wrapped(text, "  ")
    across = [g for g in e.groups if len(g.units) > 1]
    within = len(e.groups) - len(across)
    title = f"Ambiguity groups across units ({within} more lie within one unit)"
    yield from _listed(title, [" / ".join(_title(e, m) for m in g.modes) for g in across])
    yield from _listed("Failure modes that no test detects", [_title(e, m) for m in e.undetected])
    yield from _listed("Tests that separate nothing", list(e.useless))
    by_test = Counter(h.test for h in e.hanging)
    pairs = [f"{n} on '{test}'" for test, n in by_test.most_common()]
    yield from _listed(f"Distinctions that hang on one test ({len(e.hanging)}), by test", pairs)


def _title(e: Examined, mode: str) -> str:
    """A failure mode in words, with its unit."""
    fitted = e.installation.modes[mode]
    return f"{e.installation.instances[fitted.unit].title}: {fitted.title}"


def _listed(title: str, items: Sequence[str]) -> Iterator[str]:
    yield from _wrapped(f"{title}: {'none' if not items else ''}".rstrip(), "  ")
    for item in items[:LISTED]:
        yield from _wrapped(f"- {item}", "    ")
    if len(items) > LISTED:
        yield f"    and {len(items) - LISTED} more (--json lists all)"


def _wrapped(text: str, indent: str) -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=indent + "  ", break_on_hyphens=False
    )
