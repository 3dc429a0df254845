"""What the documents must hold: every setting, command, package and decision has its place."""

import re
import tomllib
from datetime import datetime
from math import ceil
from pathlib import Path

import pytest
from django.contrib import admin
from django.core.management import BaseCommand, CommandParser, load_command_class
from packaging.requirements import Requirement

from contractor.engine import prices
from contractor.trade.building import Building
from contractor.trade.cure import age_hours_for_share
from contractor.trade.ground import FOOTING_DEPTH_FT, ground_temps_degc
from contractor.trade.kinds import Foundation, Use
from contractor.trade.labor import phase_labor
from contractor.trade.phases import COLLAR_CURE, PHASE_TABLE
from contractor.trade.takeoff import take_off
from crews.models import Firm
from jobs.services.site_wishes import BRACED_ONLY, OPEN_HOLES, PRICE_VISIT_HOUR, SET_UP_MINUTES
from tests.curing import hours_to_strength

ROOT = Path(__file__).resolve().parents[1]
DOCS = ROOT / "docs"
PAGES = sorted([*DOCS.rglob("*.md"), ROOT / "README.md", ROOT / "DEVELOPERS.md"])
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
REQUIREMENTS = [
    Requirement(line)
    for line in [*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["test"]]
]
_READ = r'(?:env\.\w+|_unless_empty)\("([A-Z_]+)"'
SETTINGS = sorted(set(re.findall(_READ, (ROOT / "contractor/settings.py").read_text())))
COMMANDS = sorted(
    path.stem for path in ROOT.glob("*/management/commands/*.py") if not path.stem.startswith("_")
)


def constraints() -> dict[str, str]:
    lines = (ROOT / ".ci/constraints.txt").read_text().splitlines()
    pins = (line.split("==") for line in lines if line and not line.startswith("#"))
    return {normal(name): pinned for name, pinned in pins}


def parser_of(command: str | None) -> CommandParser:
    """Return the parser of one of our commands, or of one that takes what all commands take."""
    found = load_command_class("jobs", command) if command else BaseCommand()
    return found.create_parser("manage.py", command or "any")


def normal(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def name_of(page: Path) -> str:
    return str(page.relative_to(ROOT))


@pytest.mark.parametrize("name", SETTINGS)
def test_every_setting_is_in_the_table_of_operations(name: str) -> None:
    assert f"| `{name}` |" in (DOCS / "operations.md").read_text()


def test_operations_tells_no_setting_that_is_gone() -> None:
    table = re.findall(r"^\| `([A-Z_]+)` \|", (DOCS / "operations.md").read_text(), re.MULTILINE)

    assert sorted(table) == sorted(SETTINGS)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_in_operations(command: str) -> None:
    assert f"| `manage.py {command}" in (DOCS / "operations.md").read_text()


@pytest.mark.parametrize("command", COMMANDS)
def test_every_option_of_a_command_is_in_operations_and_no_other(command: str) -> None:
    row = re.search(
        rf"^\| `manage.py {command}([^`]*)` \|", (DOCS / "operations.md").read_text(), re.MULTILINE
    )
    usual = {option for action in parser_of(None)._actions for option in action.option_strings}
    taken = {
        option
        for action in parser_of(command)._actions
        for option in action.option_strings
        if option.startswith("--")
    }

    assert row is not None
    assert set(re.findall(r"--[a-z-]+", row[1])) == taken - usual


def test_operations_tells_no_command_that_is_gone() -> None:
    table = re.findall(r"^\| `manage.py (\w+)", (DOCS / "operations.md").read_text(), re.MULTILINE)

    assert sorted(table) == COMMANDS


@pytest.mark.parametrize("requirement", REQUIREMENTS, ids=lambda found: found.name)
def test_every_dependency_says_what_it_spares_us(requirement: Requirement) -> None:
    assert f"\n| {requirement.name} |" in (DOCS / "dependencies.md").read_text()


@pytest.mark.parametrize("requirement", REQUIREMENTS, ids=lambda found: found.name)
def test_every_dependency_is_pinned_within_its_range(requirement: Requirement) -> None:
    assert requirement.specifier.contains(constraints()[normal(requirement.name)])


def test_both_commands_of_the_readme_set_up_alike() -> None:
    lines = re.findall(r"```sh\n(.*)\n```", (ROOT / "README.md").read_text())

    set_ups, last_steps = zip(*(line.rsplit(" && ", 1) for line in lines), strict=True)

    assert len(set(set_ups)) == 1
    assert last_steps == (".venv/bin/python manage.py demo", ".venv/bin/python -m pytest")


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_every_link_between_documents_leads_somewhere(page: Path) -> None:
    targets = re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text())

    assert [target for target in targets if not (page.parent / target).exists()] == []


def headings_of(page: Path) -> set[str]:
    """Return what leads to the headings of a page, as browsers of repositories make it."""
    heads = re.findall(r"^#+ (.*)$", page.read_text(), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_every_link_into_a_document_leads_to_a_heading(page: Path) -> None:
    links = re.findall(r"\]\(([^)#:\s]*)#([^)]+)\)", page.read_text())
    into = [(page.parent / target if target else page, head) for target, head in links]

    assert [head for target, head in into if head not in headings_of(target)] == []


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_every_file_and_test_that_a_document_names_is_there(page: Path) -> None:
    named = re.findall(
        r"`((?:contractor|jobs|crews|inspections|tests|fixtures)/[\w/.-]+?)(?:::(\w+))?`",
        page.read_text(),
    )
    programs = re.findall(r"python -m (tests\.[\w.]+)", page.read_text())
    named += [(program.replace(".", "/"), "") for program in programs]

    missing = []
    for name, test in named:
        found = [path for path in (ROOT / name, ROOT / f"{name}.py") if path.exists()]
        if not found or (test and f"def {test}" not in found[0].read_text()):
            missing.append(name)
    assert missing == []


def test_every_document_is_in_an_index() -> None:
    indexes = (DOCS / "index.md").read_text() + (DOCS / "decisions/index.md").read_text()

    unlisted = [p.name for p in DOCS.rglob("*.md") if f"{p.name})" not in indexes]

    assert set(unlisted) <= {"index.md"}


def test_decisions_are_numbered_in_a_row() -> None:
    numbers = sorted(int(path.name[:4]) for path in (DOCS / "decisions").glob("[0-9]*.md"))

    assert numbers == list(range(1, len(numbers) + 1))


def test_the_glossary_is_in_order_with_each_word_once() -> None:
    words = re.findall(r"^\| ([a-z][^|]*) \|", (DOCS / "glossary.md").read_text(), re.MULTILINE)
    words.remove("word")

    assert words == sorted(set(words))


def test_every_kind_of_rows_of_the_admin_is_in_the_glossary() -> None:
    words = re.findall(r"^\| ([^|]*) \|", (DOCS / "glossary.md").read_text(), re.MULTILINE)
    kinds = {str(model._meta.verbose_name) for model in admin.site._registry}

    assert sorted(kinds - {"user", "group"} - set(words)) == []


def test_the_changelog_begins_with_this_version() -> None:
    newest = re.search(r"^## (\S+)", (DOCS / "changelog.md").read_text(), re.MULTILINE)

    assert newest is not None
    assert newest[1] == PROJECT["version"]


def test_the_job_worked_by_hand_is_what_the_code_gives() -> None:
    shop = Building(
        use=Use.SHOP, width_ft=30, length_ft=40, eave_ft=12, foundation=Foundation.POURED_PIER
    )

    rows = [
        f"| {PHASE_TABLE[labor.phase].label} | {labor.arithmetic} | {ceil(labor.hours) / 4:g} h |"
        for labor in phase_labor(building=shop, take_off=take_off(shop))
    ]

    assert [row for row in rows if row not in (DOCS / "planning.md").read_text()] == []


def test_the_prices_in_the_table_of_costs_are_those_of_the_code() -> None:
    planning = (DOCS / "planning.md").read_text()
    table = planning[planning.index("### Cost") : planning.index("### What is known")]
    printed = re.findall(r"^\| .* \| ([\d,]+) \|$", table, re.MULTILINE)

    coded = [value for name, value in vars(prices).items() if name.startswith("PRICE_")]

    assert [float(price.replace(",", "")) for price in printed] == sorted(coded, reverse=True)


def test_what_sites_would_rather_have_is_told_as_the_code_has_it() -> None:
    planning = (DOCS / "planning.md").read_text()

    assert f"poured pads | {OPEN_HOLES.days} days" in planning
    assert f"without their steel | {BRACED_ONLY.days} days" in planning
    assert f"price: {PRICE_VISIT_HOUR:g} for each hour of the drive" in planning
    assert f"and of {SET_UP_MINUTES} minutes to set up" in planning


def test_every_module_of_the_engine_is_on_the_map_for_developers() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text()
    rows = text[text.index("## The engine") : text.index("### Kernels")]
    engine = ROOT / "contractor/engine"

    modules = {path.stem for path in engine.rglob("*.py")} - {"__init__"}

    assert {module for module in modules if f"`{module}`" not in rows} == set()


def modules_of(cell: str) -> list[str]:
    """Return the modules that a cell of the map by subject names; a folder holds for the next."""
    found, folder = [], ""
    for name in re.findall(r"`([^`]+)`", cell):
        folder = name.rsplit("/", 1)[0] if "/" in name else folder
        path = f"{folder}/{name.rsplit('/', 1)[-1]}"
        found.append(f"contractor/{path}" if path.startswith(("trade/", "engine/")) else path)
    return found


def test_every_module_of_the_map_by_subject_is_there() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text()
    section = text[text.index("### Find a rule") : text.index("## The engine")]
    cells = [cell for cell in section.split("|") if "manage.py" not in cell]

    named = {module for cell in cells for module in modules_of(cell)}
    missing = [m for m in named if not [*ROOT.glob(f"{m}.py"), *ROOT.glob(f"{m}/__init__.py")]]

    assert len(named) > 80
    assert missing == []


@pytest.mark.parametrize(("month", "day", "hours"), [(7, 21, 60), (11, 24, 113)])
def test_the_cure_worked_by_hand_is_what_the_code_gives(month: int, day: int, hours: int) -> None:
    climate = Firm._meta.get_field("month_temperatures_degf").default

    ground = ground_temps_degc(
        monthly_mean_degf=[float(mean) for mean in climate.split()],
        depth_ft=FOOTING_DEPTH_FT,
        first_hour=datetime(2026, month, day, 12),
        hours=500,
    )
    waited = hours_to_strength(
        share=COLLAR_CURE.strength_share,
        cement=COLLAR_CURE.cement,
        temps_degc_by_hour=ground,
        minimum_hours=COLLAR_CURE.minimum_hours,
    )

    assert age_hours_for_share(share=0.40, cement="I") == pytest.approx(58.2, abs=0.05)
    assert waited == hours
