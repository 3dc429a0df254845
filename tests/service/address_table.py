"""
Which role may open which address: the one table that the tests of addresses read.

Each role is a letter: o office, w owner, s seller, r read-only, l crew lead, x someone signed in
without a role, a someone not signed in. A new address without a line here fails the tests.
"""

from typing import NamedTuple

OFFICE, OWNER, SELLER, READER, LEAD, STRANGER, ANONYMOUS = "owsrlxa"
ALL = "owsrlxa"
STAFF = "owsr"


class Page(NamedTuple):
    """Who may read an address, and who may change something there."""

    reads: str
    writes: str = ""


class Rows(NamedTuple):
    """Who may view, add, change and delete the rows of a model in the admin."""

    view: str
    add: str = ""
    change: str = ""
    delete: str = ""


KEY_ONLY = Page("")
"""Opens to whoever holds the key in the address or cookie; no role and no sign-in replaces it."""

MODELS = {
    "auth/group": Rows(""),
    "auth/user": Rows(""),
    "crews/crew": Rows("owr", "o", "o", "o"),
    "crews/dayoff": Rows("owr", "o", "o", "o"),
    "crews/equipment": Rows("owr", "o", "o", "o"),
    "crews/feedsubscription": Rows("ow", "o", "o", "o"),
    "crews/firm": Rows("owr", "o", "o"),
    "crews/phone": Rows("ow", "o", "o", "o"),
    "crews/workhours": Rows("owr", "o", "o", "o"),
    "inspections/authority": Rows("owr", "o", "o", "o"),
    "inspections/inspection": Rows("owsr", "o", "o"),
    "inspections/locaterule": Rows("owr", "o", "o", "o"),
    "inspections/locateticket": Rows("owr", "o", "o", "o"),
    "inspections/permit": Rows("owr", "o", "o"),
    "inspections/pour": Rows("owr", "o", "o", "o"),
    "inspections/siteshot": Rows("owr", "o", "o", "o"),
    "inspections/strengthneed": Rows("owr", "o", "o", "o"),
    "inspections/weatherarea": Rows("owr", "o", "o", "o"),
    "inspections/weatherlimit": Rows("owr", "o", "o", "o"),
    "jobs/apitoken": Rows("ow", "ow", "ow"),
    "jobs/boardmove": Rows("owr"),
    "jobs/buyerlink": Rows("ow", "o", "o", "o"),
    "jobs/callback": Rows("owsr", "", "o", "o"),
    "jobs/delivery": Rows("owsr", "o", "o", "o"),
    "jobs/failedsignin": Rows("ow", "", "", "o"),
    "jobs/fieldreport": Rows("owr"),
    "jobs/job": Rows("owsr", "os", "o", "o"),
    "jobs/laborrate": Rows("owr", "o", "o", "o"),
    "jobs/leadtime": Rows("owr", "o", "o", "o"),
    "jobs/lentpeople": Rows("owr", "o", "o", "o"),
    "jobs/notice": Rows("ow"),
    "jobs/phase": Rows("owsr", "", "o"),
    "jobs/plan": Rows("owsr", "", "o"),
    "jobs/planrequest": Rows("owr"),
    "jobs/replanproposal": Rows("owr"),
    "jobs/reportphoto": Rows("owr"),
    "jobs/setaside": Rows("owr", "o", "o", "o"),
    "jobs/slip": Rows("owr", "", "o"),
    "jobs/taskrequest": Rows("ow"),
}

PAGES = {
    "": Page(ALL),
    "health/": Page(ALL),
    # The admin's own.
    "admin/": Page(STAFF),
    "admin/login/": Page(ALL, ALL),
    "admin/logout/": Page(ALL, ALL),
    "admin/password_change/": Page(STAFF, STAFF),
    "admin/password_change/done/": Page(STAFF),
    "admin/autocomplete/": Page(""),
    "admin/jsi18n/": Page(STAFF),
    "admin/r/<path:content_type_id>/<path:object_id>/": Page(STAFF),
    "admin/^(?P<app_label>auth|jobs|crews|inspections)/$": Page("owsr"),
    "admin/(?P<url>.*)$": Page(STAFF),
    "admin/auth/user/<id>/password/": Page(""),
    # Is it running, and trying again what was given up.
    "admin/health/": Page("ow"),
    "admin/health/again/<slug:what>/": Page("o", "o"),
    # Desks, board and look-ahead.
    "admin/board/": Page("owsr"),
    "admin/board/accept/": Page("o", "o"),
    "admin/board/gaps/": Page("owsr"),
    "admin/board/grid/": Page("owsr"),
    "admin/board/moves/<int:move_id>/undo/": Page("o", "o"),
    "admin/board/phases/<int:phase_id>/": Page("owsr"),
    "admin/board/try/": Page("o", "o"),
    "admin/board/version/": Page("owsr"),
    "admin/desk/": Page("owsr"),
    "admin/desk/draft/": Page("owsr"),
    "admin/desk/draft/<int:plan_id>/publish-part/": Page("o", "o"),
    "admin/desk/look-ahead.pdf": Page("owsr"),
    "admin/desk/look-ahead/": Page("owsr"),
    "admin/desk/rain/": Page("o", "o"),
    # Jobs and what hangs on them.
    "admin/jobs/callback/<int:callback_id>/done/": Page("o", "o"),
    "admin/jobs/callback/<int:callback_id>/reopen/": Page("o", "o"),
    "admin/jobs/callback/of/<int:job_id>/ask/": Page("o", "o"),
    "admin/jobs/callback/of/<int:job_id>/complete/": Page("o", "o"),
    "admin/jobs/callback/rounds/": Page("owsr"),
    "admin/jobs/callback/rounds/<int:round_id>/free/": Page("o", "o"),
    "admin/jobs/callback/rounds/book/": Page("o", "o"),
    "admin/jobs/checkedfile/export/<str:form>/": Page("owr"),
    "admin/jobs/checkedfile/import/": Page("o", "o"),
    "admin/jobs/checkedfile/import/<uuid:batch>/": Page("o", "o"),
    "admin/jobs/delivery/<int:delivery_id>/tell/": Page("o", "o"),
    "admin/jobs/delivery/call-ahead/": Page("owsr"),
    "admin/jobs/delivery/undo/<int:report_id>/": Page("o", "o"),
    "admin/jobs/fieldreport/<uuid:report_id>/correct/": Page("o", "o"),
    "admin/jobs/fieldreport/enter/<int:phase_id>/": Page("o", "o"),
    "admin/jobs/fieldreport/ppc/": Page("owr"),
    "admin/jobs/job/<int:job_id>/copy/": Page("os", "os"),
    "admin/jobs/job/holds/": Page("owsr"),
    "admin/jobs/job/intake/": Page("os", "os"),
    "admin/jobs/job/start-dates/": Page("owsr"),
    "admin/jobs/laborrate/learning/": Page("owr", "o"),
    "admin/jobs/phase/<int:phase_id>/pin/": Page("o", "o"),
    "admin/jobs/plan/<int:plan_id>/publish/": Page("o", "o"),
    "admin/jobs/plan/<int:plan_id>/pull-forward/": Page("o", "o"),
    "admin/jobs/plan/<int:plan_id>/what-if/": Page("owsr"),
    "admin/jobs/plan/ask/": Page("o", "o"),
    "admin/jobs/plan/owner/": Page("ow"),
    "admin/jobs/planrequest/<int:plan_request_id>/cancel/": Page("o", "o"),
    "admin/jobs/replanproposal/<int:number>/accept/": Page("o", "o"),
    "admin/jobs/replanproposal/<int:number>/drop/": Page("o", "o"),
    "admin/jobs/replanproposal/rain/": Page("o", "o"),
    # Inspections, concrete, sites, weather.
    "admin/inspections/inspection/desk/": Page("owsr"),
    "admin/inspections/inspection/desk/ask/<int:phase_id>/": Page("o", "o"),
    "admin/inspections/inspection/desk/confirm/<int:visit_id>/": Page("o", "o"),
    "admin/inspections/inspection/desk/record/<int:visit_id>/": Page("o", "o"),
    "admin/inspections/inspection/desk/undo/<int:event_id>/": Page("o", "o"),
    "admin/inspections/pour/<int:pour_id>/reading/": Page("", "o"),
    "admin/inspections/siteshot/job/<int:job_id>/": Page("owr", "o"),
    "admin/inspections/siteshot/job/<int:job_id>/hold/": Page("", "o"),
    "admin/inspections/siteshot/job/<int:job_id>/ready/": Page("", "o"),
    "admin/inspections/siteshot/job/<int:job_id>/release/": Page("", "o"),
    "admin/inspections/weatherarea/<int:area_id>/enter-day/": Page("", "o"),
    "admin/inspections/weatherarea/<int:area_id>/forget-day/": Page("", "o"),
    "admin/inspections/weatherarea/<int:area_id>/refresh/": Page("", "o"),
    "admin/inspections/weatherarea/<int:area_id>/send-days/": Page("", "o"),
    "admin/inspections/weatherarea/desk/": Page("owr"),
    # The API. Three addresses answer a POST without storing anything.
    "api/v1/": Page(ALL),
    "^api/(?:.*/)?$": Page(ALL),
    "api/v1/^.*/$": Page(ALL),
    "api/v1/^.*[^/]$": Page(ALL),
    "api/v1/backlog/": Page("ow"),
    "api/v1/bookings/": Page("ow"),
    "api/v1/calibration/": Page("ow"),
    "api/v1/call-ahead/": Page("ow"),
    "api/v1/callbacks/": Page("ow"),
    "api/v1/crews/": Page("ow"),
    "api/v1/days-off/": Page("ow"),
    "api/v1/forecasts/": Page("ow"),
    "api/v1/holds/": Page("ow"),
    "api/v1/inspections/": Page("ow"),
    "api/v1/jobs/": Page("ow"),
    "api/v1/lent-people/": Page("ow"),
    "api/v1/set-aside/": Page("ow"),
    "api/v1/jobs/<slug:number>/": Page("ow"),
    "api/v1/jobs/<slug:number>/pours/": Page("ow"),
    "api/v1/learning/": Page("ow"),
    "api/v1/learning/finished/": Page("ow"),
    "api/v1/phases/": Page("ow"),
    "api/v1/phases/<int:phase_id>/": Page("ow"),
    "api/v1/plans/": Page("ow"),
    "api/v1/plans/<int:plan_id>/": Page("ow"),
    "api/v1/plans/<int:plan_id>/comparison/": Page("ow"),
    "api/v1/plans/<int:plan_id>/crews/": Page("ow"),
    "api/v1/ppc/": Page("ow"),
    "api/v1/reports/": Page("owl", "ol"),
    "api/v1/reports/<uuid:report_id>/photos/": Page("", "ol"),
    "api/v1/reports/photos/<int:photo_id>/": Page("owl"),
    "api/v1/schema/": Page("ows"),
    "api/v1/slips/": Page("ow"),
    "api/v1/start-dates/": Page("", "ows"),
    "api/v1/stopped-crews/": Page("ow"),
    "api/v1/take-off/": Page("", "ows"),
    "api/v1/ticket-warnings/": Page("ow"),
    "api/v1/weather/": Page("ow"),
    "api/v1/what-if/": Page("", "ow"),
    # Keys: crews' phones, calendars, buyers' pages.
    "buyer/<str:token>/": KEY_ONLY,
    "buyer/<str:token>/photos/<int:photo_id>/": KEY_ONLY,
    "feeds/<str:token>.ics": KEY_ONLY,
    "feeds/<str:token>/": KEY_ONLY,
    "phone/": KEY_ONLY,
    "phone/enroll/<str:key>/": KEY_ONLY,
    "phone/phases/<int:phase_id>/": KEY_ONLY,
    "phone/photos/<int:photo_id>.jpg": KEY_ONLY,
    "phone/reports/": KEY_ONLY,
    "phone/reports/<uuid:report_id>/photos/": KEY_ONLY,
    "phone/reports/form/": KEY_ONLY,
    # The phone's program itself, which tells nothing of anyone.
    "phone/manifest.webmanifest": Page(ALL),
    "phone/offline/": Page(ALL),
    "phone/sw.js": Page(ALL),
}


def table() -> dict[str, Page]:
    """Return every address with who may do what there."""
    pages = dict(PAGES)
    for model, rows in MODELS.items():
        base = f"admin/{model}/"
        pages[base] = Page(rows.view, rows.change + rows.delete)
        pages[f"{base}add/"] = Page(rows.add, rows.add)
        pages[f"{base}<path:object_id>/"] = Page(STAFF)
        pages[f"{base}<path:object_id>/change/"] = Page(rows.view, rows.change)
        pages[f"{base}<path:object_id>/delete/"] = Page(rows.delete, rows.delete)
        # Of a row that does not exist Django says so to all staff before it asks who may see it.
        pages[f"{base}<path:object_id>/history/"] = Page(STAFF)
    return pages
