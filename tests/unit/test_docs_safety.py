"""The safety page has every caution that the program shows, word for word."""

import ast
import re
from pathlib import Path

import pytest

from contractor.trade.phase_table import PHASE_TABLE
from contractor.trade.weather import CAUTIONS, DEFER
from jobs.desk.morning import CALL_BEFORE
from jobs.selectors import look_ahead
from jobs.services.feed_entries import DECIDES
from jobs.services.outbox import CAUTION

ROOT = Path(__file__).resolve().parents[2]
TEMPLATES = sorted(ROOT.glob("*/templates/**/*.html"))
# What a sentence of a page says when it speaks of danger, or of whose word comes first.
WARNS = re.compile(
    r"no permission|drawings (?:and|decide)|drawings\.|drawings, field|private lines|power lines"
    r"|never place|never in fill|stop the work|cover nothing|undisturbed|call before"
    r"|call center decide|keep booms|keep children",
    re.IGNORECASE,
)


def words(text: str) -> str:
    """Return a text on one line, with straight apostrophes, without its case."""
    return re.sub(r"\s+", " ", text.replace("’", "'")).strip().lower()


PAGE = words((ROOT / "docs/safety.md").read_text())


def pieces(module: str, calls: str | None) -> list[str]:
    """Return the texts of a module's cautions: of calls by that name, else of what it yields."""
    tree = ast.parse((ROOT / "contractor/trade" / module).read_text())
    if calls:
        found = [
            node.args[2]
            for node in ast.walk(tree)
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == calls
        ]
    else:
        found = [
            node.value for node in ast.walk(tree) if isinstance(node, ast.Yield) and node.value
        ]
    texts = [
        words(part.value)
        for message in found
        for part in ast.walk(message)
        if isinstance(part, ast.Constant) and isinstance(part.value, str)
    ]
    return [text for text in texts if len(text) > 4]


def warnings_of(template: Path) -> list[str]:
    """Return the sentences of a template that warn."""
    text = re.sub(r"{#.*?#}|{%.*?%}|{{.*?}}", " ", template.read_text(), flags=re.DOTALL)
    blocks = re.split(r"</?(?:p|div|li|h\d|label|button|span|a|td|th|main|footer)\b[^>]*>", text)
    sentences = [
        sentence
        for block in blocks
        for sentence in re.split(r"(?<=[.!?])\s+", re.sub(r"<[^>]*>", " ", block))
    ]
    return [words(found) for found in sentences if WARNS.search(found)]


WARNING_PAGES = [path for path in TEMPLATES if warnings_of(path)]


@pytest.mark.parametrize("code", [kind.code for kind in PHASE_TABLE.values() if kind.caution])
def test_the_caution_of_every_phase_is_on_the_safety_page(code: str) -> None:
    kind = PHASE_TABLE[code]

    assert f"| {words(kind.label)} | {words(kind.caution)} |" in PAGE


@pytest.mark.parametrize("gate", CAUTIONS)
def test_the_caution_of_every_kind_of_weather_is_on_the_safety_page(gate: str) -> None:
    assert f"| {words(CAUTIONS[gate])} |" in PAGE


@pytest.mark.parametrize(
    ("module", "calls"), [("cautions.py", "Caution"), ("cold_weather.py", None)]
)
def test_every_caution_of_a_building_and_of_the_cold_is_on_the_safety_page(
    module: str, calls: str | None
) -> None:
    found = pieces(module, calls)

    assert len(found) > 10
    assert [text for text in found if text not in PAGE] == []


@pytest.mark.parametrize("text", [DEFER, DECIDES, CAUTION, CALL_BEFORE, look_ahead.CAUTION])
def test_whose_word_comes_first_is_on_the_safety_page(text: str) -> None:
    assert [found for found in re.split(r"(?<=[.])\s+", words(text)) if found not in PAGE] == []


@pytest.mark.parametrize("template", WARNING_PAGES, ids=lambda path: path.stem)
def test_what_a_page_warns_of_is_on_the_safety_page(template: Path) -> None:
    assert [found for found in warnings_of(template) if found not in PAGE] == []
