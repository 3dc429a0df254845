"""The page of files tells each column, what it must have, and every code that a cell may hold."""

import re
from pathlib import Path

import pytest

from contractor.trade.rates import STARTER_RATES, Rate
from jobs.services.loading_tables import TABLES, Column, Table

PAGE = (Path(__file__).resolve().parents[2] / "docs/import.md").read_text()
ROWS = dict(re.findall(r"^\| `(\w+)\.csv`[^|]* \| (.*) \|$", PAGE, re.MULTILINE))
CODES = {
    name: codes
    for names, codes in re.findall(r"^\| (`\w+`(?:, `\w+`)*) \| (.*) \|$", PAGE, re.MULTILINE)
    for name in re.findall(r"\w+", names)
}
_TABLES = list(TABLES.values())
WEEK = "monday tuesday wednesday thursday friday saturday sunday"


def columns_told(row: str) -> dict[str, bool]:
    """Return the words of a row that may be columns, each with whether it needs a value."""
    words = re.sub(r"\[[^]]*\]\([^)]*\)|\([^()]*\)", "", row).replace("monday … sunday", WEEK)
    told: dict[str, bool] = {}
    for name, star in re.findall(r"(?<![`\w])([a-z_\d]+)(\\\*)?", words):
        told[name] = told.get(name, False) or bool(star)
    return told


def codes_told(table: Table, column: Column) -> set[str]:
    """Return the codes told of a column: in its row, in the row that it names, or apart."""
    row = ROWS[table.kind]
    others = [ROWS[kind] for kind in re.findall(r"as in `(\w+)\.csv`", row)]
    text = " ".join([row, *others, CODES.get(column.name, "")])
    return set(re.findall(r"\b[A-Z\d][A-Z_\d]*\b", text))


def test_every_kind_of_file_is_on_the_page_and_no_other() -> None:
    assert sorted(ROWS) == sorted(table.kind for table in _TABLES)


@pytest.mark.parametrize("table", _TABLES, ids=lambda table: table.kind)
def test_every_column_is_told_with_whether_it_needs_a_value(table: Table) -> None:
    told = columns_told(ROWS[table.kind])
    known = {column.name: column.is_required for column in table.columns}

    assert {name: told.get(name) for name in known} == known


@pytest.mark.parametrize("table", _TABLES, ids=lambda table: table.kind)
def test_no_column_is_told_that_is_gone(table: Table) -> None:
    told = columns_told(ROWS[table.kind])
    known = {column.name for column in table.columns}
    files = {other.kind for other in _TABLES}

    assert {name for name, star in told.items() if star or "_" in name} - known - files == set()


@pytest.mark.parametrize("table", _TABLES, ids=lambda table: table.kind)
def test_every_column_that_names_a_row_of_another_file_says_of_which(table: Table) -> None:
    row = ROWS[table.kind]
    leads = [column for column in table.columns if column.refers_to]

    assert [c.name for c in leads if f"→ {c.refers_to}" not in row] == []


@pytest.mark.parametrize("table", _TABLES, ids=lambda table: table.kind)
def test_every_code_that_a_cell_may_hold_is_told(table: Table) -> None:
    missing = {}
    for column in table.columns:
        codes = {str(code) for code, _ in column.field.flatchoices or () if code != ""}
        missing[column.name] = codes - codes_told(table, column)

    assert {name: codes for name, codes in missing.items() if codes} == {}


@pytest.mark.parametrize("rate", STARTER_RATES.values(), ids=lambda rate: rate.code)
def test_every_labor_rate_is_told_with_its_starter_value(rate: Rate) -> None:
    value, low, high = (f"{number:g}" for number in (rate.typical, rate.low, rate.high))

    assert f"| `{rate.code}` | {rate.label} | {rate.unit} | {value} | {low} to {high} |" in PAGE
