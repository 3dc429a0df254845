"""The two pure rooms run without Django, a clock of their own, a database or the network."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
ROOMS = ("contractor/trade", "contractor/engine")
FILES = sorted(path for room in ROOMS for path in (ROOT / room).rglob("*.py"))
FOREIGN = ("django", "celery", "redis", "icalendar", "rest_framework", "sqlite3", "psycopg")
# Calls that read the computer's clock, its random source or its environment.
UNSTEADY = {
    ("datetime", "now"),
    ("datetime", "today"),
    ("datetime", "utcnow"),
    ("date", "today"),
    ("time", "time"),
    ("random", "random"),
    ("os", "environ"),
    ("os", "getenv"),
}


def module_name(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def test_importing_every_module_loads_no_framework() -> None:
    names = [module_name(path) for path in FILES]
    program = (
        f"import importlib, sys\n"
        f"for name in {names!r}: importlib.import_module(name)\n"
        f"print(*sorted(set({FOREIGN!r}) & set(sys.modules)))"
    )

    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=False
    )

    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == []


def test_the_project_package_stays_empty_so_that_the_pure_rooms_load_alone() -> None:
    assert (ROOT / "contractor/__init__.py").read_text() == ""


@pytest.mark.parametrize("path", FILES, ids=module_name)
def test_nothing_reads_a_clock_a_random_source_or_the_environment(path: Path) -> None:
    tree = ast.parse(path.read_text())

    found = {
        (node.value.id, node.attr)
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name)
    }

    assert not found & UNSTEADY


@pytest.mark.parametrize("path", FILES, ids=module_name)
def test_every_public_function_and_class_says_what_it_does(path: Path) -> None:
    public = [
        node
        for node in ast.parse(path.read_text()).body
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
    ]

    assert [node.name for node in public if not ast.get_docstring(node)] == []
