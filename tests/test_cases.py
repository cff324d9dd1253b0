"""The cases that come with the repository: frozen reports, what the tool is told of them, own ones.

No accuracy is asserted on the retold reports; ``python -m tests.benchmarks.field_cases`` reports
it. The worked cases of our own invention must end as they say: that is agreement of the tool with
itself, and no evidence of anything else.
"""

import hashlib
from pathlib import Path

import pytest
import yaml

from diagnose.casebook.answers import read_answers
from diagnose.interview.asking import read_answer
from diagnose.interview.steps import STATUSES
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.matrix import MatrixBuilder
from diagnose.plant.procedures import installed_tests
from tests.bench import shipped
from tests.benchmarks.field_cases import CASES, SETTLED, Scored, answers_files, run, totals

FIELD = CASES / "field"
FIELD_CASES = 57
LATER = "G"
"""Reports that only the benchmark drives: most need a matrix of their own."""
OWN_CASES = 8
"""The least number of own cases that was asked for."""
OWN_ANSWERS = 25


@pytest.fixture(scope="module")
def knowledge() -> KnowledgeBase:
    return shipped()


def frozen() -> dict[str, str]:
    """SHA-256 by file name, as ``frozen.sha256`` lists them."""
    lines = (FIELD / "frozen.sha256").read_text(encoding="utf-8").splitlines()
    return {name.lstrip("*"): digest for digest, name in (line.split() for line in lines)}


def test_the_retold_reports_are_as_they_were_frozen() -> None:
    listed = frozen()
    files = {path.name: path for path in FIELD.glob("*.yaml")}
    assert len(listed) == FIELD_CASES
    assert files.keys() == listed.keys()
    found = {n: hashlib.sha256(path.read_bytes()).hexdigest() for n, path in files.items()}
    assert found == listed


def test_every_report_is_told_to_the_tool_once() -> None:
    told = [path.stem.split("-")[1] for path in answers_files("field")]
    assert sorted(told) == sorted(Path(name).stem for name in frozen())


@pytest.mark.parametrize("path", answers_files("field"), ids=lambda path: path.stem)
def test_a_report_keeps_source_certainty_and_complaint(
    path: Path, knowledge: KnowledgeBase
) -> None:
    """Read as YAML: to build 57 installations for it would take most of a minute."""
    report = yaml.safe_load((FIELD / f"{path.stem.split('-')[1]}.yaml").read_text("utf-8"))
    answers = yaml.safe_load(path.read_text("utf-8"))
    assert answers["kind"] == report["kind"] == "field"
    assert answers["source"] == report["source"]
    assert answers["certainty"] == report["certainty"]
    assert answers["complaint"] == [report["complaint"]]
    assert answers["expect"].keys() == {"unit"}
    assert "Differs: " in answers["note"]
    assert (
        "Unused" in answers["note"] or "All facts are used" in answers["note"] or answers["answers"]
    )
    assert {test.partition("@")[0] for test in answers["answers"]} <= knowledge.tests.keys()


@pytest.mark.parametrize("path", answers_files("own"), ids=lambda path: path.stem)
def test_an_own_case_says_that_it_is_invented(path: Path, knowledge: KnowledgeBase) -> None:
    answers = read_answers(path, knowledge)
    assert answers.kind == "own"
    assert not answers.certainty
    assert answers.source.startswith("own invention")
    assert answers.site.endswith("(invented)")
    assert len(answers.answers) >= OWN_ANSWERS
    assert {"unit", "status"} <= answers.expect.keys()
    typed = [text for texts in answers.answers.values() for text in texts]
    readings = [text for text in typed if text[0].isdigit() or text == "OL"]
    assert len(readings) >= OWN_ANSWERS // 5


def by_variants(kind: str) -> list[list[Path]]:
    """The answers files of one kind, those of one installation together."""
    groups: dict[str, list[Path]] = {}
    for path in answers_files(kind):
        if path.stem.split("-")[1].startswith(LATER):
            continue
        data = yaml.safe_load(path.read_text("utf-8"))
        groups.setdefault(str(sorted((data.get("variants") or {}).items())), []).append(path)
    return list(groups.values())


def test_own_cases_end_as_they_say() -> None:
    ended = list(run(answers_files("own")))
    assert len(ended) >= OWN_CASES
    assert len({tuple(sorted(a.installation.choices.items())) for a, _, _ in ended}) > 1
    for answers, score, result in ended:
        got = {key: result[key] for key in answers.expect}
        assert got == answers.expect, score.case
        assert score.right, score.case


@pytest.mark.parametrize("paths", by_variants("field"), ids=lambda paths: paths[0].stem[:9])
def test_every_retold_report_is_driven_to_an_end(
    paths: list[Path], knowledge: KnowledgeBase
) -> None:
    ended = list(run(paths))
    assert len(ended) == len(paths)
    for answers, score, result in ended:
        tests = installed_tests(
            knowledge, answers.installation, MatrixBuilder.circuit_of(answers.installation)
        )
        assert result["status"] in STATUSES, score.case
        assert result["ranking"], score.case
        assert 0.0 < score.probability <= 1.0, score.case
        for step in result["steps"]:
            texts = answers.answers.get(step["test"])
            known = [read_answer(tests[step["test"]], text) for text in texts or ()]
            assert step["outcome"] in (known or ["cannot"]), score.case


def scored_as(status: str, got: str, certainty: str = "confirmed by poster") -> Scored:
    right = status in SETTLED and got == "motor"
    return Scored(
        "field-X",
        certainty,
        "motor",
        got,
        status,
        right,
        0.9,
        0.9,
        1,
        1,
        0,
        1 if got == "motor" else 4,
    )


def test_totals_count_what_is_not_settled_as_not_right() -> None:
    scores = [
        scored_as("concluded", "motor"),
        scored_as("handed_over", "motor", "probable (not seen)"),
        scored_as("concluded", "relay"),
        scored_as("ambiguous", "motor"),
        scored_as("stopped", "relay"),
    ]
    found = totals(scores)
    assert found["all"] == {
        "cases": 5,
        "right": 2,
        "wrong": 1,
        "not_settled": 2,
        "not_settled_right_leads": 1,
        "right_unit_first": 3,
        "in_the_first_three": 3,
    }
    assert found["confirmed"]["cases"] == 4
    assert found["confirmed"]["right"] == 1
