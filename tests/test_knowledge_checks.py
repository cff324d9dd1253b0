"""Every check on the knowledge files, by a copy that it must complain about, and where."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
import yaml

from diagnose.errors import Issue
from diagnose.knowledge import checks_installations, checks_parts, checks_tests
from diagnose.knowledge.checks import CHECKS, check_knowledge
from diagnose.knowledge.checks_base import nearest
from diagnose.knowledge.checks_sources import numbers_by_source_kind
from diagnose.knowledge.family import Family, fill_in
from diagnose.knowledge.load import load_knowledge
from diagnose.plant.compose import compose, fill
from diagnose.plant.wiring import named_installations, parse_installation
from diagnose.reasoning.checks import check_all
from diagnose.reasoning.planner import Equipment
from tests.bench import shipped
from tests.tiny import TINY, copy_tiny, edit, found, place_of, tiny

BENCH, TESTS = "installations/bench.yaml", "tests/bench.yaml"


@dataclass(frozen=True)
class Case:
    """One way to break a copy, and what must be said about it; see the file they come from."""

    file: str
    old: str
    new: str
    code: str
    at: str

    @property
    def name(self) -> str:
        """A readable name."""
        return re.sub(r"\W+", "_", f"{self.code}_{self.file}_{self.new}")[:70]


CASES: dict[str, list[Case]] = {
    key: [Case(**case) for case in cases]
    for key, cases in yaml.safe_load(
        (TINY.parent / "tiny_broken.yaml").read_text(encoding="utf-8")
    ).items()
}
UNKNOWN, MISTAKES, WEAKNESSES = CASES["unknown"], CASES["mistakes"], CASES["weaknesses"]


def broken(folder: Path, case: Case) -> tuple[str, tuple[str, int, int]]:
    """Break a copy; the code and place of the issue that must come."""
    edit(folder, case.file, case.old, case.new)
    return expected(folder, case)


def expected(folder: Path, case: Case) -> tuple[str, tuple[str, int, int]]:
    """The code and place of the issue that must come."""
    needle, _, other = case.at.partition("|")
    return case.code, place_of(folder, other or case.file, needle)


def errors(issues: list[Issue]) -> list[Issue]:
    """The errors among issues."""
    return [issue for issue in issues if issue.severity == "error"]


@pytest.mark.parametrize("case", UNKNOWN, ids=lambda case: case.name)
def test_an_unknown_name_is_found_where_it_stands(tmp_path: Path, case: Case) -> None:
    folder = copy_tiny(tmp_path)
    issue = broken(folder, case)
    issues = errors(check_knowledge(load_knowledge(folder)))
    assert issue in found(folder, issues)
    assert all(issue.legal for issue in issues if issue.code == "unknown-id")
    assert {i.code for i in issues} <= {"unknown-id", "unread", "unknown-word"}


@pytest.mark.parametrize("case", MISTAKES, ids=lambda case: case.name)
def test_a_mistake_is_found_where_it_stands(tmp_path: Path, case: Case) -> None:
    folder = copy_tiny(tmp_path)
    issue = broken(folder, case)
    assert issue in found(folder, errors(check_knowledge(load_knowledge(folder))))


@pytest.mark.parametrize("case", WEAKNESSES, ids=lambda case: case.name)
def test_a_weakness_is_a_warning_and_no_error(tmp_path: Path, case: Case) -> None:
    folder = copy_tiny(tmp_path)
    issue = broken(folder, case)
    issues = check_knowledge(load_knowledge(folder))
    assert not errors(issues)
    assert issue in found(folder, issues)
    assert len(found(folder, issues)) <= 3


def codes_in_source() -> Iterator[tuple[str, str]]:
    """Severity and code of every issue that the checks can make, as their source text has it."""
    for path in Path(checks_parts.__file__).parent.glob("checks_*.py"):
        text = path.read_text(encoding="utf-8")
        yield from re.findall(r'\b(error|warning)\(\s*"([a-z-]+)"', text)
        yield from (("error", code) for code in re.findall(r'_problem\("([a-z-]+)"', text))


def test_every_code_of_every_check_has_a_case() -> None:
    known = set(codes_in_source())
    assert len(known) > 30
    assert {("error", "no-source"), ("warning", "judged-numbers")} <= known
    tried = {("error", case.code) for case in (*UNKNOWN, *MISTAKES)}
    assert known == tried | {("warning", case.code) for case in WEAKNESSES}


def test_the_made_up_knowledge_is_clean() -> None:
    assert len(CHECKS) > 20
    assert check_all(tiny()) == []


def test_all_issues_come_at_once_errors_first(tmp_path: Path) -> None:
    folder = copy_tiny(tmp_path)
    chosen = [
        UNKNOWN[1],
        UNKNOWN[5],
        UNKNOWN[33],
        MISTAKES[2],
        MISTAKES[11],
        MISTAKES[-3],
        WEAKNESSES[2],
    ]
    for case in chosen:
        edit(folder, case.file, case.old, case.new)
    issues = check_knowledge(load_knowledge(folder))
    assert {expected(folder, case) for case in chosen} <= found(folder, issues)
    severities = [issue.severity for issue in issues]
    assert severities == sorted(severities)
    assert set(severities) == {"error", "warning"}


def test_an_unknown_part_is_one_issue_not_a_flood(tmp_path: Path) -> None:
    folder = copy_tiny(tmp_path)
    edit(folder, BENCH, "heater: {part: heater,", "heater: {part: stove,")
    (issue,) = errors(check_all(load_knowledge(folder)))
    assert issue.message == "instance 'heater': there is no part 'stove'"
    assert issue.legal == ("battery", "button", "heater", "outlet", "relay")


def test_few_legal_values_are_all_listed_and_many_by_likeness() -> None:
    assert nearest("c", "ab") == ("a", "b")
    many = [f"net_{n}" for n in range(20)] + ["button.contact"]
    assert nearest("buton.contact", many) == ("button.contact", "and 20 more")
    assert len(nearest("zzz", many)) == 6


def test_numbers_are_counted_by_what_they_rest_on() -> None:
    # counted in the text: each {value or {range is a number, each limit one more
    texts = [path.read_text("utf-8") for path in Path(tiny().root).rglob("*.yaml")]
    numbers = sum(len(re.findall(r"\{(value|range):", text)) for text in texts)
    limits = sum(len(re.findall(r"\bbelow: ", text)) for text in texts)
    guesses = sum(text.count("source: guess") for text in texts)
    counts = numbers_by_source_kind(tiny())
    assert counts["judgement"] == guesses == 1
    assert counts["datasheet"] == numbers + limits - guesses
    assert sum(counts.values()) == numbers + limits


def test_a_limit_without_a_source_counts_as_judgement(tmp_path: Path) -> None:
    folder = copy_tiny(tmp_path)
    case = next(case for case in MISTAKES if case.code == "limit-source")
    edit(folder, case.file, case.old, case.new)
    before, after = (numbers_by_source_kind(kb) for kb in (tiny(), load_knowledge(folder)))
    assert after["judgement"] == before["judgement"] + 2  # the battery's two limits
    assert after["datasheet"] == before["datasheet"] - 2


@pytest.mark.parametrize(
    ("file", "old", "new", "code", "words"),
    [
        (BENCH, "com: line, make", "com: coil, make", "wiring", "joins dc and ac"),
        ("parts/button.yaml", "(pressed and", "(made and", "logic-loop", "button.made"),
        (
            BENCH,
            "{second: fitted}}\ndesigned",
            "{second: fitted, cell: lone}}\ndesigned",
            "impossible",
            "no term",
        ),
        ("rules/order.yaml", 'choice: "no"', 'choice: "yes"', "rule-example", "hold_on_smoke"),
    ],
)
def test_what_shows_only_when_composed(
    tmp_path: Path, file: str, old: str, new: str, code: str, words: str
) -> None:
    folder = copy_tiny(tmp_path)
    edit(folder, file, old, new)
    kb = load_knowledge(folder)
    assert not errors(check_knowledge(kb))
    (issue,) = errors(check_all(kb))
    assert issue.code == code
    assert words in issue.message
    assert issue.place is not None


def test_a_clash_in_one_variant_names_it(tmp_path: Path) -> None:
    folder = copy_tiny(tmp_path)
    edit(folder, BENCH, "wires: {a: plus, b: coil}, logic", "wires: {a: plus, b: line}, logic")
    (issue,) = errors(check_all(load_knowledge(folder)))
    assert issue.code == "wiring"
    assert issue.message.endswith("(in 'two_buttons')")


@pytest.mark.parametrize(
    ("file", "old", "new", "needle"),
    [
        (TESTS, "needs: relay & !spare", "needs: relay & !outlet", "id: coil_ohms"),
        ("parts/button.yaml", "needs: spare", "needs: spare & second=none", "title: Spare"),
    ],
)
def test_what_fits_nowhere_is_a_warning(
    tmp_path: Path, file: str, old: str, new: str, needle: str
) -> None:
    folder = copy_tiny(tmp_path)
    edit(folder, file, old, new)
    issues = check_all(load_knowledge(folder))
    assert found(folder, issues) == {("never-fits", place_of(folder, file, needle))}
    assert not errors(issues)


def test_the_checks_agree_with_what_the_program_knows() -> None:
    assert set(checks_tests.INSTRUMENTS) == Equipment().instruments


def test_placeholders_take_the_name_title_and_roles_of_an_instance() -> None:
    instances = compose(tiny(), "bench").instances
    assert fill_in("{it}.a of {title}", "button", instances) == "button.a of button"
    assert fill_in("{load}.c1, {load.title}", "button", instances) == "relay.c1, relay"
    assert fill_in("{cable}.x", "button", instances) == "{cable}.x"  # no such role: left as it is
    assert fill_in("{it}", "", instances) == "{it}"
    assert fill(" {it} ", compose(tiny(), "bench"), "relay") == " relay "


def test_named_installations_make_every_change_once() -> None:
    kb = shipped()
    named = named_installations(kb)
    assert len({n.name for n in named}) == len(named)
    for kind in kb.installations.values():
        made = {(v, c) for n in named if n.kind == kind.id for v, c in n.choices.items()}
        for variant in kind.variants.values():
            for choice in variant.choices:
                assert choice == variant.default or (variant.id, choice) in made
    for one in named:
        assert parse_installation(kb, one.name) == one
        assert compose(kb, one.kind, one.choices).instances


def test_a_family_knows_what_any_variant_may_hold() -> None:
    family = Family.all_of(tiny())
    assert set(family.fitted) == {"battery", "button", "relay", "outlet", "heater", "spare"}
    assert family.instances_for("button") == ["button", "spare"]
    assert "spare.contact" in family.branches
    assert {"plus", "case", "spare.a"} <= family.nets
    assert family.logic("spare") == {"made", "pressed"}
    assert checks_installations.CHECKS


def test_the_shipped_knowledge_has_no_errors() -> None:
    kb = shipped()
    assert [str(issue) for issue in errors(check_all(kb))] == []


def test_a_need_of_two_variants_at_once_is_tried_too(tmp_path: Path) -> None:
    folder = copy_tiny(tmp_path)
    edit(folder, "parts/button.yaml", "needs: spare", "needs: second=fitted & cell=small")
    assert check_all(load_knowledge(folder)) == []
    edit(folder, "parts/button.yaml", "cell=small", "cell=lone")
    (issue,) = check_all(load_knowledge(folder))
    assert issue.code == "never-fits"
