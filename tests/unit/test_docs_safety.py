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
    r"|call center decide|keep booms|keep children|stop a repair|kill",
    re.IGNORECASE,
)


PHONE = "crews/templates/crews/phone"
ADMIN = "jobs/templates/admin/jobs"
INSPECTED = "inspections/templates/admin/inspections"
# Where each row of the page's last table stands: a template, or a module whose text a page shows.
STANDS_IN = {
    "every page of the phone": [f"{PHONE}/base.html"],
    "phone, a phase's drawing": [f"{PHONE}/phase.html"],
    "phone, an inspection passed in part": [f"{PHONE}/report_box.html"],
    "board, morning desk, draft, re-plan proposal": [
        "jobs/templates/jobs/board/index.html",
        f"{ADMIN}/desk/morning.html",
        f"{ADMIN}/desk/draft.html",
        f"{ADMIN}/replanproposal/change_form.html",
    ],
    "look-ahead, page and PDF": ["jobs/selectors/look_ahead.py"],
    "every message that is sent": ["jobs/services/outbox.py"],
    "holds": [f"{ADMIN}/job/holds.html"],
    "a job": [f"{ADMIN}/job/now.html"],
    "inspection desk": [f"{INSPECTED}/inspection/desk.html"],
    "inspection desk, passed in part": ["inspections/selectors/desk_rows.py"],
    "locate tickets to call": [f"{ADMIN}/ticket_warnings.html"],
    "a locate ticket": ["inspections/admin/locate.py"],
    "a pour": [f"{INSPECTED}/pour/change_form.html"],
    "a job's pours": [f"{INSPECTED}/pour/job.html"],
    "site ready": [f"{INSPECTED}/siteshot/section.html"],
    "call-ahead list": [f"{ADMIN}/delivery/call_ahead.html"],
    "a job's punch list and callbacks": [f"{ADMIN}/job/put_right.html"],
    "callbacks, rounds": [f"{ADMIN}/callback/desk.html"],
    "rain day": [f"{ADMIN}/desk/rain.html"],
    "board, where wall framing or roof steel is split": ["jobs/services/move_split.py"],
    "weather limits": ["inspections/admin/weather.py"],
    "new job, what options do": [f"{ADMIN}/job/intake.html"],
    "start dates, the answer": [f"{ADMIN}/job/start_dates.html"],
    "what if": [f"{ADMIN}/plan/what_if.html"],
    "owner's page": [f"{ADMIN}/plan/owner.html"],
    "buyer's page": ["jobs/templates/jobs/buyer/page.html"],
}


def words(text: str) -> str:
    """Return a text on one line, with straight apostrophes, without its case."""
    return re.sub(r"\s+", " ", text.replace("’", "'")).strip().lower()


SAFETY = (ROOT / "docs/safety.md").read_text()
PAGE = words(SAFETY)
ROWS = dict(
    re.findall(
        r"^\| ([^|]+) \| ([^|]+) \|$", SAFETY.partition("## On pages of their own")[2], re.MULTILINE
    )[1:]
)


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


def shown_by(path: str) -> str:
    """Return what a template shows, or all texts of a module."""
    text = (ROOT / path).read_text()
    if path.endswith(".py"):
        found = [node.value for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Constant)]
        return words(" ".join(part for part in found if isinstance(part, str)))
    return words(re.sub(r"{[%#].*?[%#]}|<[^>]*>", " ", text, flags=re.DOTALL))


def test_every_page_of_the_last_table_is_known_here() -> None:
    assert sorted(ROWS) == sorted(STANDS_IN)


@pytest.mark.parametrize("row", STANDS_IN)
def test_a_page_says_what_the_safety_page_tells_of_it(row: str) -> None:
    sentences = re.split(r"[.]\s+", words(ROWS[row]))

    for path in STANDS_IN[row]:
        assert [told for told in sentences if told not in shown_by(path)] == [], path
