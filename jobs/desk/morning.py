"""The morning desk: what is to do before the day begins, each with its one action."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from django.urls import reverse
from django.utils import timezone
from django.utils.text import capfirst

from inspections.admin.desk import window_of
from jobs.admin.words import count, day, span
from jobs.desk.base import VIEW, office_page, rendered
from jobs.selectors.call_ahead import Standing
from jobs.selectors.draft_changes import latest_comparison
from jobs.selectors.morning_desk import MorningDesk, morning_desk
from jobs.selectors.slips import slip_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from django.http import HttpRequest, HttpResponse

    from inspections.selectors.desk_rows import DeskRow
    from inspections.selectors.locate import TicketWarning
    from jobs.models import Delivery
    from jobs.selectors.call_ahead import CallAheadLine
    from jobs.selectors.morning_desk import MissingReport
    from jobs.selectors.supplier_calls import SupplierCall

CALL_BEFORE = "Call before digging, every time. Private lines are not marked."


@dataclass(frozen=True, slots=True)
class Action:
    """The one thing to press: a link, or with `fields` a form that is posted."""

    label: str
    address: str
    fields: tuple[tuple[str, str], ...] | None = None
    permission: str = "jobs.view_plan"


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to do: what, the facts needed for it, until when, and how it is done."""

    title: str
    words: tuple[str, ...]
    action: Action
    due: str = ""
    is_late: bool = False


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with its items; below them a `caution`, and a link to `more` of the kind."""

    key: str
    heading: str
    items: tuple[Item, ...]
    caution: str = ""
    more: Action | None = None


@office_page(VIEW)
def page(request: HttpRequest) -> HttpResponse:
    """Show what is to do, what presses most first."""
    now = timezone.now()
    found = morning_desk(now=now)
    sections = [section for section in _sections(found, now) if section.items]
    draft, published, comparison = latest_comparison()
    waits = bool(comparison and (comparison.moved or comparison.added or comparison.removed))
    return rendered(
        request,
        "morning",
        title="Morning desk",
        sections=[(section, _shown(request, section)) for section in sections],
        total=sum(len(section.items) for section in sections),
        now_words=f"{timezone.localtime(now):%a %b %-d, %H:%M}",
        first=_first_due(found),
        draft=draft if waits and found.proposal is None else None,
        published=published,
    )


def _shown(request: HttpRequest, section: Section) -> list[tuple[Item, bool]]:
    """Return the items, each with whether this person may press its button."""
    may = {item.action.permission: False for item in section.items}
    may = {permission: request.user.has_perm(permission) for permission in may}
    return [(item, may[item.action.permission]) for item in section.items]


def _first_due(found: MorningDesk) -> str:
    """Return the nearest cut-off in words."""
    rows = [row for row in found.to_ask if row.ask_by is not None]
    if not rows:
        return ""
    first = rows[0]
    what = f"{first.phase.get_code_display().lower()} of job {first.job.number}"
    return f"{_moment(first.ask_by)}, {first.authority}: {what}"


def _sections(found: MorningDesk, now: datetime) -> Iterator[Section]:
    yield Section("ask", "Inspections to call in", tuple(_ask(row, now) for row in found.to_ask))
    yield Section("results", "Inspections to follow up", tuple(map(_follow_up, found.overdue)))
    yield Section("weather", "Weather stops work", tuple(_weather(found)))
    yield Section("reports", "Reports missing since yesterday", tuple(map(_report, found.missing)))
    yield Section(
        "tickets",
        "Locate tickets to call, renew or read",
        tuple(map(_ticket, found.tickets)),
        CALL_BEFORE,
    )
    yield Section(
        "confirm",
        "Deliveries to confirm",
        tuple(map(_confirm, found.to_confirm.calls)),
        _can_wait(found.to_confirm.can_wait),
        Action("Call ahead", reverse("admin:jobs_delivery_call_ahead"), None, "jobs.view_delivery"),
    )
    yield Section("order", "Material to order", tuple(map(_order, found.to_order)))
    yield Section("slips", "Slips to decide", tuple(_slips(found)))
    yield Section("out", "People out", tuple(_out(found)))
    yield Section("permits", "Permits to act on", tuple(_permits(found)))
    yield Section("holds", "Other holds to clear", tuple(_holds(found)))
    yield Section("parked", "Not sent or not done", tuple(_parked(found)))


def _ask(row: DeskRow, now: datetime) -> Item:
    window = window_of(row)
    desk_page = reverse("admin:inspections_inspection_desk")
    action = Action("Ask at the desk", f"{desk_page}#to-ask", None, "inspections.view_inspection")
    if window and row.visit_from:
        fields = (
            ("visit_on", f"{timezone.localdate(row.visit_from):%Y-%m-%d}"),
            ("window", window),
        )
        address = reverse("admin:inspections_inspection_ask", args=[row.phase.pk])
        action = Action("Asked", address, fields, "inspections.change_inspection")
    words = [
        f"{row.authority}: {row.how}",
        f"Say: {row.say}",
        f"Visit {span(row.visit_from, row.visit_until)}",
    ]
    if row.ask_from and row.ask_from > now:
        words.append(f"Not before {_moment(row.ask_from)}")
    words += [capfirst(text) for text in (row.fee, row.warning) if text]
    return Item(
        title=f"{row.phase.get_code_display()}, job {row.job}",
        words=tuple(words),
        due=f"by {_moment(row.ask_by)}" if row.ask_by else "",
        is_late=bool(row.warning),
        action=action,
    )


def _follow_up(row: DeskRow) -> Item:
    address = f"{reverse('admin:inspections_inspection_desk')}#overdue"
    return Item(
        title=f"{row.phase.get_code_display()}, job {row.job}",
        words=(f"{row.authority}: {row.how}", capfirst(row.warning)),
        is_late=True,
        action=Action("Enter what came of it", address, None, "inspections.view_inspection"),
    )


def _report(row: MissingReport) -> Item:
    crew = row.booking.crew
    assert crew is not None
    lead = ", ".join(filter(None, (crew.lead_name, crew.lead_phone)))
    return Item(
        title=f"{row.phase.get_code_display()}, job {row.phase.job}",
        words=(capfirst(row.words), f"{crew.name}: {lead}" if lead else crew.name),
        action=Action(
            "Report for the crew",
            _form("admin:jobs_fieldreport_enter", row.phase.pk, at="reports"),
            None,
            "jobs.add_fieldreport",
        ),
    )


def _ticket(row: TicketWarning) -> Item:
    renewed = {"renewed_from": row.ticket.pk} if row.ticket else {}
    action = Action(
        "Enter the ticket that was called",
        _form("admin:inspections_locateticket_add", at="tickets", job=row.job.pk, **renewed),
        None,
        "inspections.add_locateticket",
    )
    if row.ticket is not None and row.call_by is None:
        address = _form("admin:inspections_locateticket_change", row.ticket.pk, at="tickets")
        action = Action("Open the ticket", address, None, "inspections.view_locateticket")
    return Item(
        title=f"{row.kind.label}, job {row.job}",
        words=(row.words,),
        due=f"call by {day(row.call_by)}" if row.call_by else "",
        is_late=True,
        action=action,
    )


def _confirm(call: SupplierCall) -> Item:
    rows = [line.delivery for line in call.lines]
    supplier = call.supplier or "No supplier entered"
    page = reverse("admin:jobs_delivery_call_ahead")
    action = Action(
        "Enter what the supplier says", f"{page}#delivery-{rows[0].pk}", None, "jobs.view_delivery"
    )
    if call.due_on is None:
        title = f"{supplier}: {count(len(rows), 'load')} past the day"
        lines = (
            f"{_what(line)}: was due {day(line.due_on)}, {_needed(line)}" for line in call.lines
        )
    else:
        title = f"{supplier}: {count(len(rows), 'load')} due {day(call.due_on)}"
        lines = (f"{_what(line)}: {_needed(line)}{_standing(line)}" for line in call.lines)
    if call.due_on is not None and call.may_confirm:
        fields = (("told", "confirmed"), ("due_on", f"{call.due_on:%Y-%m-%d}"))
        also = tuple(("also", str(row.pk)) for row in rows[1:])
        which = "Confirmed" if len(rows) == 1 else f"All {len(rows)} confirmed"
        action = Action(
            f"{which} for {day(call.due_on)}",
            reverse("admin:jobs_delivery_tell", args=[rows[0].pk]),
            (*fields, *also),
            "jobs.change_delivery",
        )
    return Item(title=title, words=tuple(lines), is_late=call.is_late, action=action)


def _can_wait(number: int) -> str:
    """Return what to do with an answer for one delivery alone, and what is not told here."""
    words = "Another day, or one load of several, is entered on the page"
    if number == 0:
        return f"{words}:"
    verb = "is" if number == 1 else "are"
    return (
        f"{count(number, 'more load')} of this week {verb} not pressing: ordered anew, they would "
        f"still come in time. {words} of all:"
    )


def _what(line: CallAheadLine) -> str:
    return f"{line.delivery.get_item_display()}, job {line.delivery.job}"


def _needed(line: CallAheadLine) -> str:
    return f"needed {day(line.needed_by)}" if line.needed_by else "no dates yet"


def _order(line: CallAheadLine) -> Item:
    row = line.delivery
    return Item(
        title=f"{row.get_item_display()}, job {row.job}",
        words=(f"{_supplier(row)}: lead time {count(line.lead_days, 'day')}{_standing(line)}",),
        due=f"order by {day(line.order_by)}" if line.order_by else "",
        is_late=line.standing in (Standing.OVERDUE, Standing.LATE),
        action=Action(
            "Enter the order",
            _form("admin:jobs_delivery_change", row.pk, at="order"),
            None,
            "jobs.change_delivery",
        ),
    )


def _supplier(row: Delivery) -> str:
    return row.supplier or "No supplier entered"


def _standing(line: CallAheadLine) -> str:
    """Return what is wrong with a delivery's day, if anything."""
    fine = line.standing in (Standing.IN_TIME, Standing.NOT_PLANNED)
    return "" if fine else f"; {line.standing.label.lower()}"


def _slips(found: MorningDesk) -> Iterator[Item]:
    if found.proposal is not None:
        row = found.proposal
        address = reverse("admin:jobs_replanproposal_change", args=[row.pk])
        yield Item(
            title="A repaired plan waits for a yes or no",
            words=(row.reason,),
            action=Action("Decide", address, None, "jobs.view_replanproposal"),
        )
    for slip in found.unnamed_slips:
        address = _form("admin:jobs_slip_change", slip.pk, at="slips")
        yield Item(
            title=f"Job {slip.job}: the cause is not said yet",
            words=(slip_words(slip),),
            action=Action("Name the cause", address, None, "jobs.change_slip"),
        )


def _weather(found: MorningDesk) -> Iterator[Item]:
    for row in found.weather:
        stopped = tuple(
            f"{stop.booking.phase.get_code_display()}, job {stop.booking.phase.job.number}: "
            f"{stop.why}"
            for stop in row.stopped
        )
        offers = ", ".join(
            f"{offer.phase.get_code_display().lower()} of {offer.phase.job.number}"
            for offer in row.offers[:3]
        )
        instead = (f"Could do instead: {offers}",) if offers else ()
        yield Item(
            title=f"{day(row.day)}: {row.crew.name}",
            words=(*stopped, *instead),
            action=Action(
                "Plan the day again",
                f"{reverse('desk:rain')}?day={row.day:%Y-%m-%d}",
                None,
                "jobs.change_plan",
            ),
        )


def _out(found: MorningDesk) -> Iterator[Item]:
    for row in found.out:
        booked = ", ".join(
            f"{booking.phase.get_code_display().lower()} of {booking.phase.job.number}"
            for booking in row.bookings
        )
        yield Item(
            title=f"{row.crew.name} is off {day(row.day)}: {row.why}",
            words=(f"Published to begin that day: {booked}",),
            is_late=True,
            action=Action("See the draft without them", reverse("desk:draft")),
        )


def _permits(found: MorningDesk) -> Iterator[Item]:
    for state in found.permits:
        permit = state.permit
        yield Item(
            title=f"Job {permit.job}",
            words=(f"{permit.authority}: {state.words}",),
            due=f"lapses {day(state.lapses_on)}" if state.lapses_on else "",
            action=Action(
                "Open the permit",
                _form("admin:inspections_permit_change", permit.pk, at="permits"),
                None,
                "inspections.view_permit",
            ),
        )


def _holds(found: MorningDesk) -> Iterator[Item]:
    for row in found.holds:
        fact = row.fact
        yield Item(
            title=f"{row.phase_label}, job {row.job}",
            words=(f"{fact.kind.label}: {fact.what} ({row.who})", capfirst(row.cost_words)),
            action=Action(
                "Open the job",
                reverse("admin:jobs_job_change", args=[row.job.pk]),
                None,
                "jobs.view_job",
            ),
        )


def _parked(found: MorningDesk) -> Iterator[Item]:
    parked: Iterable[tuple[int, str, str, str]] = (
        (found.parked_notices, "message", "could not be sent", "jobs_notice"),
        (found.parked_tasks, "task", "failed for good", "jobs_taskrequest"),
    )
    for number, noun, what, model in parked:
        if number:
            column = "state" if noun == "message" else "status"
            address = reverse(f"admin:{model}_changelist")
            yield Item(
                title=f"{count(number, noun)} {what}",
                words=(),
                action=Action(
                    "Look and try again",
                    f"{address}?{column}__exact=PARKED",
                    None,
                    f"jobs.view_{model.removeprefix('jobs_')}",
                ),
            )


def _form(view: str, *keys: int, at: str, **asked: int) -> str:
    """Return the address of a form that leads back to a list of the desk once it is saved."""
    query = urlencode({**asked, "next": f"{reverse('desk:morning')}#{at}"})
    return f"{reverse(view, args=keys)}?{query}"


def _moment(moment: datetime | None) -> str:
    return "–" if moment is None else f"{day(moment)}, {timezone.localtime(moment):%H:%M}"
