"""`diagnose phone` and `diagnose survey` as scripts and people at a terminal use them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml
from typer.testing import CliRunner

from diagnose.casebook.files import FileStore
from diagnose.casebook.sitefiles import Site, save_site, sites_folder
from diagnose.cli import app, main
from diagnose.cli.phone import on_the_phone
from diagnose.interview.session import Session
from diagnose.knowledge.names import unit_of
from diagnose.plant.matrix import HEALTHY
from tests.people import SimulatedPerson, clear_modes, standard_session
from tests.test_casebook_answers import content

runner = CliRunner()
WIDEST = 80


@pytest.fixture(scope="module")
def session() -> Session:
    return standard_session()


@pytest.fixture
def answers(tmp_path: Path, session: Session) -> Path:
    path = tmp_path / "answers.yaml"
    plain = json.loads(json.dumps(content(session, clear_modes(session, 3)[0])))
    path.write_text(yaml.safe_dump(plain, sort_keys=False), encoding="utf-8")
    return path


def told(path: Path, **changes: Any) -> Path:
    """The answers file with some keys changed."""
    plain = yaml.safe_load(path.read_text(encoding="utf-8")) | changes
    path.write_text(yaml.safe_dump(plain, sort_keys=False), encoding="utf-8")
    return path


def run_json(*arguments: str) -> dict[str, Any]:
    result = runner.invoke(app, [*arguments, "--json"])
    assert result.exit_code == 0, result.output
    return dict(json.loads(result.stdout))


def refused(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    """The one line that bad input gives."""
    with pytest.raises(SystemExit) as stop:
        main(arguments)
    assert stop.value.code == 2
    caught = capsys.readouterr()
    assert caught.out == ""
    (line,) = caught.err.splitlines()
    return line


# ---------------------------------------------------------------------- phone


def test_a_call_from_a_file(answers: Path, session: Session) -> None:
    shown = run_json("phone", "--answers", str(answers))
    keys = {"status", "ranking", "steps", "urgency", "van", "instruments", "switch_off"}
    assert keys <= set(shown)
    assert shown["status"] == "prepared"
    assert shown["urgency"]["level"] in ("now", "today", "soon", "planned")
    assert all(set(v) == {"spare", "covers", "cost"} for v in shown["van"])
    assert all(session.tests[s["test"]].spec.customer for s in shown["steps"])
    assert shown == run_json("phone", "--answers", str(answers))


def test_a_larger_share_loads_more(answers: Path) -> None:
    costs = []
    for share in ("0.5", "0.9", "1"):
        shown = run_json("phone", "--answers", str(answers), "--share", share)
        assert shown["covered"] >= float(share) - 1e-9
        costs.append(shown["van_cost"])
    assert costs == sorted(costs)
    assert costs[0] < costs[-1]


def test_a_hazard_by_telephone(answers: Path) -> None:
    shown = run_json("phone", "--answers", str(told(answers, history={"panel_wet": "yes"})))
    assert shown["steps"] == []
    assert shown["urgency"]["level"] == "now"
    assert "panel" in [k["what"] for k in shown["keep_off"]]
    shown = run_json("phone", "--answers", str(told(answers, history={"danger": "yes"})))
    assert shown["status"] == "emergency"
    assert shown["van"] == []


def test_the_call_on_paper(answers: Path) -> None:
    result = runner.invoke(app, ["phone", "--answers", str(answers), "--no-color"])
    assert result.exit_code == 0, result.output
    assert max(map(len, result.output.splitlines())) <= WIDEST
    for text in ("End of the call", "Urgent", "Load the van", "Together", "Tools"):
        assert text in result.output


def test_a_call_on_file_goes_on_on_site(answers: Path, tmp_path: Path) -> None:
    store = tmp_path / "cases"
    shown = run_json("phone", "--answers", str(answers), "--store", str(store))
    case = shown["case"]["id"]
    events = FileStore(store).events(case)
    assert events[0].data["stage"] == "phone"
    assert "qualification" not in events[0].data
    assert events[-1].kind == "phoned"
    assert events[-1].data["van"] == [v["spare"] for v in shown["van"]]
    assert on_the_phone(events)
    # instruments: multimeter; category; person; then safety, which is asked anew
    typed = "1\n3\n2\n" + "1\n" * 7 + "stop\n"
    result = runner.invoke(app, ["callout", "--resume", case, "--store", str(store)], input=typed)
    assert result.exit_code == 0, result.output
    assert result.output.count("Is anyone hurt") == 1
    after = FileStore(store).events(case)
    assert [e.kind for e in after][: len(events)] == [e.kind for e in events]
    assert not on_the_phone(after)
    shown_case = runner.invoke(app, ["cases", "show", case, "--store", str(store)])
    assert shown_case.exit_code == 0, shown_case.output
    assert "called" in shown_case.output


def test_a_call_by_a_person_safety_first(tmp_path: Path) -> None:
    store = tmp_path / "cases"
    typed = "1\n" * 6 + "Made-up Lane 2\n\n" + "3\n" + "1\n" * 3 + "1\n" * 6 + "stop\n"
    result = runner.invoke(app, ["phone", "--store", str(store), "--no-color"], input=typed)
    assert result.exit_code == 0, result.output
    order = ["Is anyone hurt", "Name of the site", "What is the complaint", "How long will the"]
    places = [result.output.index(text) for text in order]
    assert places == sorted(places)
    (case,) = FileStore(store).listing().cases
    kinds = [event.kind for event in FileStore(store).events(case.id)]
    assert kinds[:2] == ["opened", "answered"]
    assert kinds[-1] == "phoned"
    again = runner.invoke(app, ["phone", "--resume", "--store", str(store)], input="stop\n")
    assert again.exit_code == 0, again.output
    assert "Is anyone hurt" not in again.output


def test_a_call_about_a_site_on_file_takes_its_wiring(tmp_path: Path) -> None:
    store = tmp_path / "cases"
    site = Site("Made-up Lane 3", "relay_logic", "", {"remote": "fitted"}, {"roof_way": "near"})
    save_site(sites_folder(str(store)), replace(site, status="described"))
    command = ["phone", "--site", "made-up lane 3", "--store", str(store), "--no-color"]
    result = runner.invoke(app, command, input="1\n" * 6 + "stop\n")
    assert result.exit_code == 0, result.output
    assert "Name of the site" not in result.output
    assert "by telephone?" not in result.output
    (case,) = FileStore(store).listing().cases
    header = FileStore(store).header(case.id)
    assert (header.installation, header.site) == ("relay_logic", "Made-up Lane 3")
    assert header.variants["remote"] == "fitted"
    events = FileStore(store).events(case.id)
    assert {"question": "roof_way", "choice": "near"} in [e.data for e in events]


def test_a_customer_is_asked_only_what_a_customer_can_know(tmp_path: Path) -> None:
    """Where the power comes from, not what is in the panel; the rest is asked on site."""
    store = tmp_path / "cases"
    typed = "1\n" * 6 + "Made-up Lane 4\n" + "3\n" + "stop\n"
    result = runner.invoke(app, ["phone", "--store", str(store), "--no-color"], input=typed)
    assert result.exit_code == 0, result.output
    assert "Where does the electricity for the pump come from" in result.output
    assert "pull-down" not in result.output
    (case,) = FileStore(store).listing().cases
    described = [e.data for e in FileStore(store).events(case.id) if e.kind == "described"]
    assert described == [{"site": "Made-up Lane 4"}, {"variants": {"source": "generator"}}]
    command = ["callout", "--resume", case.id, "--store", str(store), "--no-color"]
    result = runner.invoke(app, command, input="\n")
    assert "Source of the mains: a generator" in result.output
    kinds = [e.data for e in FileStore(store).events(case.id) if e.kind == "described"]
    assert kinds[-1] == {"wiring": "standard"}


def test_danger_ends_a_call_by_a_person_at_once(tmp_path: Path) -> None:
    store = tmp_path / "cases"
    result = runner.invoke(app, ["phone", "--store", str(store)], input="2\n")
    assert result.exit_code == 0, result.output
    assert "EMERGENCY" in result.output
    assert "Name of the site" not in result.output
    again = runner.invoke(app, ["phone", "--resume", "--store", str(store)], input="1\n1\n")
    assert "Is anyone hurt" in again.output
    assert "tingle" in again.output


def call(tmp_path: Path, *typed: str, options: tuple[str, ...] = ()) -> str:
    """What a call shows on the screen, line ends taken as spaces."""
    command = ["phone", "--store", str(tmp_path / "cases"), "--no-color", *options]
    return " ".join(runner.invoke(app, command, input="\n".join(typed) + "\n").output.split())


def test_who_felt_a_shock_hears_at_once_what_to_switch_off(tmp_path: Path) -> None:
    """Common practice, no source: keep off first, then go on asking; each is said once."""
    said = call(tmp_path, "1", "2", "4", "2", "1")
    order = ["felt a tingle", " OFF ", "KEEP OFF", "lights steady", "at other taps", "cable wet"]
    places = [said.index(text) for text in order]
    assert places == sorted(places)
    assert said.count("main switch of the house") == said.count("KEEP OFF") == 1


@pytest.mark.parametrize(("lights", "warned"), [("2", 1), ("3", 1), ("4", 0), ("5", 0)])
def test_a_shock_with_unsteady_lights_keeps_everybody_off_and_calls_the_supplier(
    lights: str, warned: int, tmp_path: Path
) -> None:
    """IEC 60364-4-44, 442: a lost neutral of the supply; steady or not known: nothing more."""
    said = call(tmp_path, "1", "2", lights, "2", "1", "1", "1", "1")
    assert said.count("call the supplier of electricity now") == warned
    assert "pull their plugs" not in said
    if warned:
        assert said.index("call the supplier of electricity now") < said.index("cable wet")


def test_who_is_unsure_of_safety_is_told_to_take_the_worse_answer(tmp_path: Path) -> None:
    said = call(tmp_path, "don't know", "not sure", "cannot", "1")
    assert said.count("Safety is not guessed") == 3
    assert "Has anyone felt a tingle" in said


def test_what_nobody_knows_of_the_past_is_taken_as_usual(tmp_path: Path) -> None:
    typed = ["1"] * 6 + ["", "1", "3", "don't know", "", "cannot", "stop"]
    said = call(tmp_path, *typed)
    assert said.count("Taken to be: no") == 1
    assert "Taken to be: a day or longer" in said
    assert "this needs an answer" not in said


def test_a_humming_motor_is_switched_off_before_anything_else_is_asked(tmp_path: Path) -> None:
    """Common practice, no source: a locked rotor burns in minutes, a call takes longer."""
    said = call(tmp_path, *["1"] * 6, "", "1", "10", "1", "stop")
    assert said.index("at once, and leave it off") < said.index("Does water run where")


@pytest.mark.parametrize("answer", ["2", "3"])
def test_whoever_is_in_danger_or_in_the_water_ends_the_call(answer: str, tmp_path: Path) -> None:
    said = call(tmp_path, answer)
    assert "EMERGENCY" in said
    assert ("nobody goes in" in said) == (answer == "3")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["phone", "--share", "1.5"], "--share 1.5"),
        (["phone", "--share", "0"], "--share 0"),
        (["phone", "--json"], "--answers"),
        (["phone", "some-case"], "--resume some-case"),
        (["phone", "--set", "pump=blue", "--share", "0.5"], "pump"),
        (["survey", "--threshold", "0"], "--threshold 0"),
        (["survey", "--out", "list.doc"], "list.doc"),
        (["survey", "--instruments", "sextant"], "sextant"),
        (["survey", "--qualification", "poet"], "poet"),
        (["survey", "--filled", "nowhere.yaml"], "nowhere.yaml"),
    ],
)
def test_bad_options_give_one_line(
    arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert said in refused(arguments, capsys)


def test_a_case_on_site_is_no_call(
    answers: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = str(tmp_path / "cases")
    run_json("callout", "--answers", str(answers), "--store", store)
    runner.invoke(app, ["phone", "--resume", "--store", store])
    with pytest.raises(SystemExit) as stop:
        main(["phone", "--resume", "--store", store])
    assert stop.value.code == 2
    assert "diagnose callout --resume" in capsys.readouterr().err


# ---------------------------------------------------------------------- survey


def test_the_checklist_for_scripts(session: Session) -> None:
    shown = run_json("survey")
    tests = [t for stop in shown["stops"] for t in stop["tests"]]
    assert shown["gap"] <= 1e-9
    assert len(tests) > 10
    assert len(shown["revealed"]) + len(shown["undetectable"]) == len(session.matrix.rows) - 1
    places = [(stop["state"], stop["level"], stop["place"]) for stop in shown["stops"]]
    assert len(set(places)) == len(places)
    states = [stop["state"] for stop in shown["stops"]]
    assert states == sorted(states, key=["energised", "dead", "live"].index)
    for test in tests:
        assert test["healthy"]
        assert test["only_one_to_reveal"], test["test"]


def test_without_instruments_less_is_revealed_and_the_reason_is_said() -> None:
    whole = run_json("survey")
    bare = run_json("survey", "--instruments", "none", "--qualification", "unqualified")
    assert len(bare["revealed"]) < len(whole["revealed"])
    assert all(u["reason"] for u in bare["undetectable"])
    for stop in bare["stops"]:
        assert stop["state"] == "energised"
        assert all(test["instrument"] == "none" for test in stop["tests"])


@pytest.mark.parametrize("ending", ["md", "txt", "yaml"])
def test_the_checklist_on_paper(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"list.{ending}"
    shown = run_json("survey")
    result = runner.invoke(app, ["survey", "--out", str(path)])
    assert result.exit_code == 0, result.output
    text = path.read_text(encoding="utf-8")
    for stop in shown["stops"]:
        for test in stop["tests"]:
            assert (test["test"] if ending == "yaml" else test["title"]) in text
    if ending == "txt":
        assert max(map(len, text.splitlines())) <= WIDEST
        assert text.count("[ ]") >= len([t for s in shown["stops"] for t in s["tests"]])
    if ending == "yaml":
        read = runner.invoke(app, ["survey", "--filled", str(path), "--json"])
        assert json.loads(read.stdout)["within_limits"] == 0


def fill_in(session: Session, mode: str, tests: list[str], path: Path) -> Path:
    """A list filled in as one regime of a failure mode, or a sound installation, would show."""
    lines = []
    for test in tests:
        if mode == HEALTHY:
            k = int(session.matrix.of(mode, test).argmax())
            outcome = session.tests[test].outcomes[k].id
        else:
            outcome = SimulatedPerson(session, mode).outcome(test)
        lines.append(f'"{test}": "{outcome}"')
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_a_filled_in_list_of_a_sound_installation(session: Session, tmp_path: Path) -> None:
    shown = run_json("survey")
    tests = [t["test"] for stop in shown["stops"] for t in stop["tests"]]
    path = fill_in(session, HEALTHY, tests, tmp_path / "filled.yaml")
    verdict = run_json("survey", "--filled", str(path))
    assert verdict["out_of_limits"] == []
    assert verdict["not_filled_in"] == []
    assert verdict["sound"] > 0.95


def test_a_filled_in_list_names_the_part_that_failed(session: Session, tmp_path: Path) -> None:
    shown = run_json("survey")
    tests = [t["test"] for stop in shown["stops"] for t in stop["tests"]]
    ways = {"relay.contacts_welded": 3, "adapter.sagging": 3, "capacitor.open": 8}
    for mode, first in ways.items():  # no water at all has many equal causes: a callout parts them
        path = fill_in(session, mode, tests, tmp_path / "filled.yaml")
        verdict = run_json("survey", "--filled", str(path))
        assert verdict["out_of_limits"], mode
        leading = [r["unit"] for r in verdict["ranking"][:first]]
        assert unit_of(mode) in leading, (mode, leading)


def test_an_open_earth_is_never_called_sound(tmp_path: Path) -> None:
    path = tmp_path / "filled.yaml"
    path.write_text("frame_earth: OL\nbuzzer_quiet: silent\n", encoding="utf-8")
    result = runner.invoke(app, ["survey", "--filled", str(path), "--no-color"])
    assert result.exit_code == 0, result.output
    assert "no protective earth: leave it off" in " ".join(result.output.split())
    assert "Treat it as real" in result.output
    assert "nothing is wrong" not in result.output


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("buzzer_quiet: silent\nnope: 3\n", "2:1"),
        ("frame_earth: 5 V\n", "1:14"),
        ("frame_earth: [1, 2]\n", "1:14"),
        ("- frame_earth\n", "1:1"),
        ("buzzer_quiet: perhaps\n", "1:15"),
    ],
)
def test_a_badly_filled_in_list_gives_one_line_with_its_place(
    text: str, place: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "filled.yaml"
    path.write_text(text, encoding="utf-8")
    assert f"filled.yaml:{place}:" in refused(["survey", "--filled", str(path)], capsys)
