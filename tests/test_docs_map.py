"""The map by subject in DEVELOPERS.md against the rooms where rules live."""

import pytest

from tests.test_docs import ROOT, modules_of

ROOMS = (
    "contractor/trade",
    "jobs/selectors",
    "jobs/services",
    "inspections/selectors",
    "inspections/services",
    "crews/selectors",
    "crews/services",
)


@pytest.mark.parametrize("room", ROOMS)
def test_every_rule_is_found_by_its_subject(room: str) -> None:
    text = (ROOT / "DEVELOPERS.md").read_text()
    section = text[text.index("### Find a rule") : text.index("## The engine")]
    cells = [cell for cell in section.split("|") if "manage.py" not in cell]

    found = {
        path
        for cell in cells
        for module in modules_of(cell)
        for path in (*ROOT.glob(f"{module}.py"), *ROOT.glob(f"{module}/*.py"))
    }

    modules = {path for path in (ROOT / room).glob("*.py") if path.stem != "__init__"}
    assert sorted(path.stem for path in modules - found) == []
