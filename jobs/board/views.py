"""The board's pages: the board itself, one booking of it, its version, and the next gaps."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, NamedTuple

from django.contrib import admin, messages
from django.http import Http404, JsonResponse
from django.shortcuts import redirect
from django.template.response import TemplateResponse
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.utils.safestring import mark_safe
from django.views.decorators.http import condition, require_safe

from jobs.board.forms import Aside, Block, GapForm, Lend, MoveForm, Split, SplitFirst, Swap, form_of
from jobs.desk.base import CHANGE, VIEW, office_page
from jobs.drawing.board import draw_line
from jobs.drawing.board_head import draw_backdrop, draw_days, draw_promises
from jobs.models import BoardMove, Phase
from jobs.selectors import board_version
from jobs.selectors.board import Shown, board
from jobs.selectors.board_pick import next_work_of, picked
from jobs.services import gaps
from jobs.services.move_split import why_in_one_piece

if TYPE_CHECKING:
    from django.http import HttpRequest, HttpResponse

MOST_DAYS_AWAY = 366
LAST_MOVES = 5
# Weeks on the board, and the least width of a working day in CSS pixels: three weeks fit a desk.
WIDTHS = {3: 42, 8: 30, 26: 16}
# What a board's days have room for, in CSS pixels, is told by its script.
ROOM_COOKIE, WIDEST_ROOM_PX = "board_room", 6000


class Asked(NamedTuple):
    """What an address asks for, with what is left out filled in."""

    shown: Shown
    weeks: int

    @property
    def query(self) -> dict[str, str]:
        """Return the address's own fields."""
        return {
            "from": self.shown.first_day.isoformat(),
            "weeks": str(self.weeks),
            "rows": "jobs" if self.shown.by_job else "crews",
            "plan": "published" if self.shown.published else "",
            "room": str(self.shown.room_px),
        }


@office_page(VIEW)
@require_safe
def index(request: HttpRequest) -> HttpResponse:
    """Show the board, and the booking that is picked, if any; or find a job on it."""
    if words := request.GET.get("job", "").strip():
        return _found(request, words)
    pick = request.GET.get("phase", "")
    context = _pick_context(request, int(pick)) if pick.isdecimal() and len(pick) < 10 else {}
    return whole_page(request, "nothing" if not context else "pick", **context)


@office_page(VIEW)
@require_safe
def grid(request: HttpRequest) -> HttpResponse:
    """Return the board's rows anew, for a page that is open."""
    return TemplateResponse(request, "jobs/board/grid.html", _grid_context(request))


@office_page(VIEW)
@require_safe
@condition(etag_func=lambda request: f'"{board_version.version()}"')
def version(request: HttpRequest) -> HttpResponse:
    """Return the board's state in one word; unchanged, it is answered without a body."""
    response = JsonResponse({"version": board_version.version()})
    response["Cache-Control"] = "no-cache"
    return response


@office_page(VIEW)
@require_safe
def pick(request: HttpRequest, phase_id: int) -> HttpResponse:
    """Show why a booking is where it is, what it waits for, and how to move it."""
    return answered(request, "pick", **_pick_context(request, phase_id))


@office_page(VIEW)
@require_safe
def next_gaps(request: HttpRequest) -> HttpResponse:
    """Show where a small piece of work fits between bookings."""
    form = GapForm(request.GET, auto_id="gap_%s")
    context: dict[str, Any] = {"gap_form": form}
    if form.is_valid():
        data = form.cleaned_data
        found = gaps.next_gaps(
            hours=data["hours"],
            now=timezone.now(),
            from_day=data["from_day"],
            crew_id=data["crew"].pk if data["crew"] else None,
        )
        context |= {"gaps": found, "hours": data["hours"]}
        context["places"] = [(gap, gap.starts_at + timedelta(hours=data["hours"])) for gap in found]
    return answered(request, "gaps", **context)


def answered(
    request: HttpRequest, panel: str, *, status: int = 200, **context: Any
) -> HttpResponse:
    """Return the panel alone to the board's script, else the whole page with it."""
    if request.headers.get("HX-Request"):
        context |= _shared(request) | {"panel": f"jobs/board/panel_{panel}.html"}
        return TemplateResponse(request, "jobs/board/panel.html", context)
    return whole_page(request, panel, status=status, **context)


def whole_page(
    request: HttpRequest, panel: str, *, status: int = 200, **context: Any
) -> HttpResponse:
    """Return the board in the admin's frame, with something in its panel."""
    framed = {
        **admin.site.each_context(request),
        "is_nav_sidebar_enabled": False,
        "title": "Booking board",
        "panel": f"jobs/board/panel_{panel}.html",
        **_grid_context(request),
        **_shared(request),
        **_tools(),
        **context,
    }
    return TemplateResponse(request, "jobs/board/index.html", framed, status=status)


def _shared(request: HttpRequest) -> dict[str, Any]:
    return {
        "may_change": request.user.has_perm(CHANGE),
        "version": board_version.version(),
        "now": timezone.now(),
    }


def _found(request: HttpRequest, words: str) -> HttpResponse:
    """Go to where a job's work is on the board, picked; or say that it has none."""
    shown = {key: request.GET[key] for key in ("weeks", "rows", "plan") if key in request.GET}
    booking = next_work_of(words, now=timezone.now())
    if booking is None:
        messages.warning(request, f"No dates of job or buyer “{words}” are in the plan at hand.")
    else:
        day = timezone.localdate(booking.starts_at)
        monday = day - timedelta(days=day.weekday())
        shown |= {"from": monday.isoformat(), "phase": str(booking.phase_id)}
    return redirect(f"{reverse('board:index')}?{urlencode(shown)}")


def _tools() -> dict[str, Any]:
    """Return the empty forms of moves that begin with no bar."""
    tomorrow = timezone.localdate() + timedelta(days=1)
    days = {"first_day": tomorrow, "last_day": tomorrow}
    tools: list[tuple[str, MoveForm]] = [
        ("Swap two crews", form_of(Swap.kind, **days)),
        ("Lend people", form_of(Lend.kind, **days)),
        ("Shop day or callback", form_of(Aside.kind, day=tomorrow)),
        ("Block days", form_of(Block.kind, **days)),
    ]
    return {"tools": tools, "find": GapForm(auto_id="gap_%s")}


def _grid_context(request: HttpRequest) -> dict[str, Any]:
    """Return the rows as they are drawn, with what the script needs to read them."""
    now, asked = timezone.now(), _asked(request)
    read = board(shown=asked.shown, now=now)
    frozen = {"now": now, "freeze_until": read.freeze_until}
    drawn = [draw_line(line, read.bays) for line in read.lines]
    first = asked.shown.first_day
    return {
        "asked": asked,
        "query": asked.query,
        "widths": WIDTHS,
        "before": first - timedelta(weeks=1),
        "after": first + timedelta(weeks=1),
        "board": read,
        "version": read.version,
        "now": now,
        "backdrop": mark_safe(draw_backdrop(read.bays, **frozen)),
        "days": mark_safe(draw_days(read.bays, read.weather, **frozen)),
        "stops": any(row.stops for row in read.weather),
        "promises": draw_promises(read.stakes, read.bays),
        "drawn": [(row, mark_safe(row.svg)) for row in drawn],
        "bays": " ".join(f"{b.day.isoformat()}:{b.width:g}" for b in read.bays.bays),
        "last_moves": list(
            BoardMove.objects.filter(undone_at=None)
            .select_related("by")
            .order_by("-id")[:LAST_MOVES]
        ),
        "may_change": request.user.has_perm(CHANGE),
    }


def _pick_context(request: HttpRequest, phase_id: int) -> dict[str, Any]:
    found = picked(phase_id=phase_id, now=timezone.now())
    if found is None:
        raise Http404("This phase does not exist any more. Open the board again.")
    phase, booking = found.phase, found.booking
    context: dict[str, Any] = {"picked": found, "phase": phase, "booking": booking}
    if booking is not None and phase.status == Phase.Status.OPEN:
        local = timezone.localtime(booking.starts_at)
        day = local.date()
        context["move_form"] = form_of("MOVE", phase=phase.pk, crew=booking.crew_id, day=day)
        steps = (
            (-7, "A week sooner"),
            (-1, "A day sooner"),
            (1, "A day later"),
            (7, "A week later"),
        )
        context["nudges"] = [(day + timedelta(days=n), words) for n, words in steps]
        context["starts_on"], context["starts"] = day, f"{local:%H:%M}"
        context["whole_because"] = why_in_one_piece(phase)
        if not context["whole_because"]:
            rest_on = timezone.localdate(booking.ends_at) + timedelta(days=7)
            context["first_form"] = form_of(SplitFirst.kind, phase=phase.pk, day=rest_on)
    elif booking is not None and phase.status == Phase.Status.UNDER_WAY:
        tomorrow = timezone.localdate() + timedelta(days=1)
        context["split_form"] = form_of(Split.kind, phase=phase.pk, day=tomorrow, at="07:00")
    return context


def _asked(request: HttpRequest) -> Asked:
    """Return what the address asks for; nonsense counts as left out."""
    given = request.GET
    today = timezone.localdate()
    monday = today - timedelta(days=today.weekday())
    try:
        first = date.fromisoformat(given.get("from", ""))
    except ValueError:
        first = monday
    if abs((first - today).days) > MOST_DAYS_AWAY:
        first = monday
    weeks = int(given["weeks"]) if given.get("weeks") in {str(n) for n in WIDTHS} else 3
    shown = Shown(
        first_day=first,
        days=7 * weeks,
        bay_px=WIDTHS[weeks],
        by_job=given.get("rows") == "jobs",
        published=given.get("plan") == "published",
        room_px=_room_px(given.get("room") or request.COOKIES.get(ROOM_COOKIE, "")),
    )
    return Asked(shown, weeks)


def _room_px(told: str) -> int:
    """Return the room for days that a script told; 0 where none did, or nonsense."""
    is_number = told.isascii() and told.isdigit() and len(told) < 6
    return min(int(told), WIDEST_ROOM_PX) if is_number else 0
