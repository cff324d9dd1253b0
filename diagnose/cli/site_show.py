"""``diagnose site show`` and ``site list``."""

from __future__ import annotations

from diagnose.casebook.sitefiles import find_site, read_site, site_files, sites_folder
from diagnose.cli.common import load
from diagnose.cli.render import Screen
from diagnose.cli.shown import on_one_line, print_json, print_lines, say_issues
from diagnose.errors import DiagnoseError, fail
from diagnose.plant.compose import compose


def show_site(
    name: str, as_json: bool, store: str | None, folder: str | None, no_color: bool
) -> None:
    """Print one site: what is fitted, what is known, where its file is.

    Raises
    ------
    DiagnoseError
        There is no such site, or its file has issues.
    """
    knowledge = load(folder)
    sites = sites_folder(store)
    path = find_site(sites, name)
    if path is None:
        legal = [p.stem for p in site_files(sites)]
        raise fail("unknown-id", f"there is no site '{name}' in {sites}", None, legal)
    site = read_site(path, knowledge)
    if as_json:
        data = {k: v for k, v in vars(site).items() if k != "asked"}
        data["file"] = str(path)
        print_json(data)
        return
    screen = Screen(no_color)
    screen.rule(site.name)
    screen.field("File", str(path))
    screen.field("Status", site.status + (f" {site.described}" if site.described else ""))
    if not site.installation:
        return
    kind = knowledge.installations[site.installation]
    screen.field("Kind", kind.title)
    if site.preset:
        screen.field("Nearest", kind.presets[site.preset].title)
    fitted = compose(knowledge, site.installation, site.variants)
    for variant, choice in fitted.choices.items():
        known = kind.variants[variant]
        mark = "" if choice == known.default else " *"
        screen.para(f"{known.title}: {known.choices[choice].title}{mark}", 4, hang=2)
    screen.para("* not as in the standard installation", 2)
    for question, choice in site.answers.items():
        known_question = knowledge.questions[question]
        screen.para(f"{known_question.ask} {known_question.choices[choice]}", 2, hang=2)
    for unit, text in site.fitted.items():
        screen.para(f"{fitted.instances[unit].title}: {text}", 2, hang=2)
    if site.photographs:
        screen.field("Photographs", ", ".join(site.photographs))
    if site.notes:
        screen.field("Notes", site.notes)


def list_sites(store: str | None, folder: str | None, no_color: bool) -> int:
    """One line for each site; those that cannot be used on stderr. The exit code."""
    knowledge = load(folder)
    code = 0
    for path in site_files(sites_folder(store)):
        try:
            site = read_site(path, knowledge)
        except DiagnoseError as problem:
            code = 1
            say_issues(problem)
            continue
        what = site.preset or site.installation or "nothing yet"
        print_lines([f"{path.stem}  {site.status}  {what}  {on_one_line(site.name)}"])
    return code
