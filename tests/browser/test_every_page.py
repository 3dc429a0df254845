"""
Every page of the service in Chromium: looked at by axe, and walked through by keyboard alone.

The pages are those of the table of addresses, so that a new one cannot be left out. Sources: WCAG
2.2, levels A and AA, by axe-core; for the walk success criteria 2.1.1 (all by keyboard), 2.1.2 (no
trap) and 2.4.7 (the focus is seen), from memory.
"""

import asyncio
import re
from collections.abc import Callable
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.apps import apps
from django.contrib.auth import get_user_model
from django.contrib.auth.models import AbstractUser
from playwright.sync_api import Page

from tests.browser.rows_of_everything import make_everything
from tests.service.address_table import MODELS, table

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASS_PHRASE = "a long pass phrase"
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
ROUTES = sorted(table())
# What answers no page to a browser that only looks, with what it answers in its stead.
NO_PAGE = {
    "": "leads to the office's first page",
    "admin/autocomplete/": "JSON",
    "admin/board/accept/": "takes a form",
    "admin/board/moves/<int:move_id>/undo/": "takes a form",
    "admin/board/try/": "takes a form",
    "admin/board/version/": "one word",
    "admin/crews/firm/add/": "the firm is entered once",
    "admin/desk/draft/<int:plan_id>/publish-part/": "takes a form",
    "admin/desk/look-ahead.pdf": "a file",
    "admin/health/again/<slug:what>/": "takes a form",
    "admin/inspections/inspection/desk/ask/<int:phase_id>/": "takes a form",
    "admin/inspections/inspection/desk/confirm/<int:visit_id>/": "takes a form",
    "admin/inspections/inspection/desk/record/<int:visit_id>/": "takes a form",
    "admin/inspections/inspection/desk/undo/<int:event_id>/": "takes a form",
    "admin/inspections/pour/<int:pour_id>/reading/": "takes a form",
    "admin/inspections/siteshot/job/<int:job_id>/hold/": "takes a form",
    "admin/inspections/siteshot/job/<int:job_id>/ready/": "takes a form",
    "admin/inspections/siteshot/job/<int:job_id>/release/": "takes a form",
    "admin/inspections/weatherarea/<int:area_id>/enter-day/": "takes a form",
    "admin/inspections/weatherarea/<int:area_id>/forget-day/": "takes a form",
    "admin/inspections/weatherarea/<int:area_id>/refresh/": "takes a form",
    "admin/inspections/weatherarea/<int:area_id>/send-days/": "takes a form",
    "admin/jobs/callback/<int:callback_id>/done/": "takes a form",
    "admin/jobs/callback/<int:callback_id>/reopen/": "takes a form",
    "admin/jobs/callback/of/<int:job_id>/ask/": "takes a form",
    "admin/jobs/callback/of/<int:job_id>/complete/": "takes a form",
    "admin/jobs/callback/rounds/<int:round_id>/free/": "takes a form",
    "admin/jobs/callback/rounds/book/": "takes a form",
    "admin/jobs/checkedfile/export/<str:form>/": "a file",
    "admin/jobs/checkedfile/import/<uuid:batch>/": "takes a form",
    "admin/jobs/delivery/<int:delivery_id>/tell/": "takes a form",
    "admin/jobs/delivery/undo/<int:report_id>/": "takes a form",
    "admin/jobs/plan/ask/": "takes a form",
    "admin/jobs/plan/<int:plan_id>/pull-forward/": "takes a form",
    "admin/jobs/planrequest/<int:plan_request_id>/cancel/": "takes a form",
    "admin/jobs/replanproposal/<int:number>/accept/": "takes a form",
    "admin/jobs/replanproposal/<int:number>/drop/": "takes a form",
    "admin/jobs/replanproposal/rain/": "takes a form",
    "admin/jsi18n/": "a script",
    "admin/logout/": "takes a form",
    "admin/r/<path:content_type_id>/<path:object_id>/": "leads to a row's own page",
    "buyer/<str:token>/photos/<int:photo_id>/": "a photo",
    "feeds/<str:token>.ics": "a calendar",
    "health/": "JSON",
    "phone/manifest.webmanifest": "JSON",
    "phone/photos/<int:photo_id>.jpg": "a photo",
    "phone/reports/": "takes a form",
    "phone/reports/<uuid:report_id>/photos/": "takes a form",
    "phone/reports/form/": "takes a form",
    "phone/sw.js": "a script",
}
# Shown inside the board, which is a page of its own.
PARTS = ("admin/board/gaps/", "admin/board/grid/", "admin/board/phases/<int:phase_id>/")
OF_WHOLE_PAGES = ("document-title", "html-has-lang")
FIRST, SIGN_IN = "admin/", "admin/login/"
PHONE = "phone/enroll/<str:key>/"


def is_page(route: str) -> bool:
    """Return whether an address shows a page to somebody."""
    leads_to_its_form = route.endswith("/<path:object_id>/")
    if route.lstrip("^").startswith("api/") or route in NO_PAGE or leads_to_its_form:
        return False
    # Nobody adds or deletes some rows; people and their groups only a superuser sees.
    is_ours = route.startswith("admin/") and not route.startswith("admin/auth/")
    return not is_ours or bool(table()[route].reads)


# Django's own pages to delete a row and of its record differ by names alone, and a form to add one
# is that to change it, empty: one of each app.
STOCK = re.compile(r"(admin/\w+/)\w+/(?:<path:object_id>/)?(delete|history|add)/")
PAGES = [route for route in ROUTES if is_page(route)]
_IN_STOCK = {found.groups(): route for route in PAGES if (found := STOCK.fullmatch(route))}
OF_ADMIN = [
    route
    for route in PAGES
    if route.startswith("admin/")
    and route != SIGN_IN
    and (not STOCK.fullmatch(route) or route in _IN_STOCK.values())
]
BEHIND_A_KEY = [PHONE, *(r for r in PAGES if not r.startswith("admin/") and r != PHONE)]

# The menu of all models is the same on every page of the admin: it is examined on the first.
WITHOUT_MENU = "document.getElementById('nav-sidebar')?.remove()"
SEARCHES_ARE_BUILT = """() => [...document.querySelectorAll('select.admin-autocomplete')].every(
  (e) => e.name.includes('__prefix__') || e.classList.contains('select2-hidden-accessible'))"""
# Marks what the Tab key should reach, and notes what it reaches and whether that is seen.
WATCH = """() => {
  const shown = (e) => e.checkVisibility({checkVisibilityCSS: true}) && !e.closest('[inert]');
  const look = (e) => {
    const style = getComputedStyle(e);
    return [style.outlineStyle, style.outlineWidth, style.outlineColor, style.boxShadow,
      style.borderColor, style.backgroundColor, style.textDecorationLine, style.color].join();
  };
  const all = 'a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex]';
  const groups = new Set();
  const stops = [...document.querySelectorAll(all)].filter((e) => {
    if (!shown(e) || e.disabled || e.tabIndex < 0) return false;
    if (e.type !== 'radio') return true;
    const group = e.form && e.form.elements.namedItem(e.name);
    const one = (group && [...(group.length ? group : [group])].find((r) => r.checked)) || e;
    if (groups.has(e.name) || one !== e) return false;
    groups.add(e.name);
    return true;
  });
  document.activeElement && document.activeElement.blur();
  const before = new Map(stops.map((e) => [e, look(e)]));
  const name = (e) => `${e.tagName.toLowerCase()} ${e.name || e.id || ''} `
    + `"${(e.textContent || e.value || '').trim().slice(0, 40)}"`;
  const reached = new Set(), unseen = [];
  addEventListener('focusin', ({target}) => {
    if (!reached.has(target) && before.get(target) === look(target)) unseen.push(name(target));
    reached.add(target);
  });
  const keys = 'a, button, label, summary, select, option, input, textarea, [tabindex]';
  const clicked = [...document.querySelectorAll('body *')].filter((e) =>
    shown(e) && getComputedStyle(e).cursor === 'pointer' && !e.closest(keys)
    && !e.querySelector(keys));
  window.walk = () => ({
    missed: stops.filter((e) => !reached.has(e) && shown(e)).map(name),
    unseen, ordered: stops.filter((e) => e.tabIndex > 0).map(name), clicked: clicked.map(name),
  });
  // A day or a time is typed in parts, each with a stop of its own.
  const parts = {date: 4, time: 3, 'datetime-local': 7};
  return stops.reduce((sum, e) => sum + (parts[e.type] || 1), 0);
}"""
FAULTS = {
    "missed": "the Tab key does not reach",
    "unseen": "nobody sees that the focus is on",
    "ordered": "has an order of its own:",
    "clicked": "is for a pointer only:",
}


def violations(page: Page, route: str) -> list[str]:
    """Return what axe finds against WCAG 2.2 AA, by rule and place."""
    rules = {rule: {"enabled": False} for rule in OF_WHOLE_PAGES} if route in PARTS else {}
    # Preloading would fetch each style sheet once more.
    options = {"runOnly": WCAG, "rules": rules, "resultTypes": ["violations"], "preload": False}
    # axe tries styles of its own, which our Content-Security-Policy rightly blocks and tells.
    page.is_examined = True  # type: ignore[attr-defined]
    found = Axe().run(page, options=options).response["violations"]
    page.is_examined = False  # type: ignore[attr-defined]
    return [f"{row['id']}: {node['target']}" for row in found for node in row["nodes"]]


def press_tab(page: Page, *, times: int) -> None:
    """
    Press the key so many times, and do not wait for each before the next is sent.

    The browser takes them in turn and shows the page anew once for several of them, which is what
    costs. Playwright's own door waits for each, so this goes past it.
    """
    keyboard = page.keyboard

    async def all_of_them() -> None:
        await asyncio.gather(*(keyboard._impl_obj.press("Tab", 0) for _ in range(times)))

    keyboard._sync(all_of_them())


def walk(page: Page) -> list[str]:
    """Go through a page by the Tab key, and return what that does not reach or show."""
    press_tab(page, times=page.evaluate(WATCH) + 2)
    found = page.evaluate("walk()")
    return [f"{words} {one}" for kind, words in FAULTS.items() for one in found[kind]]


def examine(page: Page, route: str, address: str) -> list[str]:
    """Return what is wrong with one page; that it is none, too."""
    answer = page.goto(address)
    kind = "" if answer is None else answer.headers.get("content-type", "")
    if answer is None or answer.status != 200 or not kind.startswith("text/html"):
        status = "nothing" if answer is None else f"{answer.status} {kind}"
        return [f"{route}: {status} at {address}. Give it a row, or say in NO_PAGE what it is."]
    if page.url.partition("?")[0] != page.evaluate(f"new URL('{address}', location).href"):
        return [f"{route}: leads on to {page.url}. Give it a row, or say so in NO_PAGE."]
    page.wait_for_function(SEARCHES_ARE_BUILT)
    if route != FIRST:
        page.evaluate(WITHOUT_MENU)
    return [f"{route}: {one}" for one in (*violations(page, route), *walk(page))]


def address_of(route: str, rows: dict[str, str]) -> str:
    """Return the address of a page about a row that there is."""
    if route == "admin/(?P<url>.*)$":
        return "/admin/"
    if route == "admin/r/<path:content_type_id>/<path:object_id>/":
        return "/admin/r/1/1/"
    if "(?P<app_label>" in route:
        return "/admin/jobs/"

    def fill(part: re.Match[str]) -> str:
        name = part[1]
        if name == "object_id":
            return _row_of(route, rows)
        return rows[route.partition("/")[0] if name == "token" else name]

    return "/" + re.sub(r"<(?:\w+:)?(\w+)>", fill, route)


def _row_of(route: str, rows: dict[str, str]) -> str:
    """Return the key of a row that a page of the admin is about."""
    _, label, name = route.split("/")[:3]
    if (label, name) == ("auth", "user"):
        return rows["id"]
    found = apps.get_model(label, name)._default_manager.order_by("pk").first()
    assert found is not None, f"rows_of_everything.py makes no row of {label}.{name}"
    return str(found.pk)


@pytest.fixture(autouse=True)
def media(settings: Any, tmp_path: Any) -> None:
    settings.MEDIA_ROOT = tmp_path


@pytest.fixture
def everybody(db: None) -> AbstractUser:
    """Someone who may open all of the admin."""
    return get_user_model().objects.create_superuser("everybody", password=PASS_PHRASE)


def test_every_page_can_be_read_and_used_by_all(
    page: Page, sign_in: Callable[[Page, str, str], None], everybody: AbstractUser
) -> None:
    rows = make_everything(everybody)
    wrong = examine(page, SIGN_IN, f"/{SIGN_IN}")
    sign_in(page, "everybody", PASS_PHRASE)
    for route in OF_ADMIN:
        wrong += examine(page, route, address_of(route, rows))

    for route in BEHIND_A_KEY:
        wrong += examine(page, route, address_of(route, rows))
        if route == PHONE:
            page.get_by_role("button", name="Use this phone").click()
            page.wait_for_url("**/phone/")

    for route, what in NO_PAGE.items():
        answer = page.request.get(address_of(route, rows), max_redirects=0)
        kind = answer.headers.get("content-type", "")
        if answer.status == 200 and kind.startswith("text/html"):
            wrong.append(f"{route}: is a page and said to be {what}. Take it out of NO_PAGE.")

    assert wrong == [], "\n".join(wrong)


def test_the_table_has_rows_and_what_is_no_page_is_in_it() -> None:
    assert set(NO_PAGE) | set(PARTS) <= set(ROUTES), "these are gone; take out their lines"
    assert len(OF_ADMIN) > 2 * len(MODELS)
