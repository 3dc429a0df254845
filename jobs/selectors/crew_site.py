"""What a crew needs to know at one site, in words: holds, tickets, sizes, weather, who to call."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import quote

from django.conf import settings
from django.utils import timezone

from contractor.trade import locate
from contractor.trade.kinds import Foundation
from contractor.trade.phases import PHASE_TABLE
from contractor.trade.takeoff import take_off
from contractor.trade.units import number_text
from contractor.trade.weather import CAUTIONS, DayVerdict, Level, WeatherGate
from inspections.selectors.locate import answer_words, dated
from jobs.drawing.sheet import feet
from jobs.selectors.hold_facts import HoldKind

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    from contractor.trade.building import Building
    from contractor.trade.weather import HourOfWeather
    from crews.models import Equipment
    from inspections.models import Inspection, LocateTicket
    from inspections.selectors.weather import Weather
    from jobs.models import Delivery, Job
    from jobs.selectors.hold_facts import HoldFact

# What is not to be done while a phase is held, where its name alone does not say it.
_NOT_DONE = {
    "DIG": "digging",
    "HOLE_REWORK": "digging",
    "POUR": "concrete",
    "POSTS": "setting of posts",
    "FRAME": "framing",
    "TRUSSES": "lifting of trusses",
    "DOORS": "doors or windows",
}
_CLEARED_WHEN = {
    HoldKind.PERMIT: "before the permit is there",
    HoldKind.DRAWINGS: "before the sealed drawings are there",
    HoldKind.LOCATE: "before the locate ticket is live",
    HoldKind.POSITIVE_RESPONSE: "before the utilities have answered",
    HoldKind.DELIVERY: "before the material is there",
    HoldKind.INSPECTION: "before the inspector signs",
    HoldKind.CURE: "before the concrete has its strength",
    HoldKind.SITE_NOT_READY: "before the site is ready",
    HoldKind.EARLIEST_DATE: "before the day that was agreed",
    HoldKind.WEATHER: "in this weather",
}
# Cautions of a building that matter while its holes are open, by the field they are about.
_OF_GROUND = frozenset({"foundation", "hole_depth_in", "pad_in"})


@dataclass(frozen=True, slots=True)
class DayWeather:
    """What the weather of a day means for a phase; `level` is go, caution or stop."""

    level: str
    words: str
    why: str
    caution: str

    @property
    def is_stop(self) -> bool:
        """Return whether it stops the work for the day."""
        return self.level == Level.STOP.word


@dataclass(frozen=True, slots=True)
class TicketLine:
    """A locate ticket as a crew reads it; `is_live` on all days that were asked about."""

    number: str
    words: str
    answers: str
    is_live: bool


def gates_of(code: str, machines: Iterable[Equipment]) -> list[WeatherGate]:
    """Return what of the weather matters for a phase: its own gate, its lift's, and people's."""
    gates = [WeatherGate(PHASE_TABLE[code].weather_gate)]
    if any(machine.kind == machine.Kind.TELEHANDLER for machine in machines):
        gates.append(WeatherGate.LIFT)
    return [*(gate for gate in gates if gate is not WeatherGate.NONE), WeatherGate.OUTDOORS]


def cautions(code: str, building: Building | None) -> list[str]:
    """Return what can hurt in a phase, and on its building; the ground's where it is dug in."""
    kind = PHASE_TABLE[code]
    is_ground = kind.weather_gate in (WeatherGate.GROUND.value, WeatherGate.CONCRETE.value)
    of_building = building.cautions() if building else ()
    told = [row.message for row in of_building if is_ground or row.field not in _OF_GROUND]
    return [kind.caution, *told] if kind.caution else told


def hold_words(fact: HoldFact) -> str:
    """Return a hold as a crew is told it, like "No concrete before the inspector signs: …"."""
    label = PHASE_TABLE[fact.phase_code].label
    told = _NOT_DONE.get(fact.phase_code, label[0].lower() + label[1:])
    who = f" ({fact.who})" if fact.who and fact.who not in fact.what else ""
    return f"No {told} {_CLEARED_WHEN[fact.kind]}: {fact.what.rstrip('.')}{who}."


def ticket_lines(tickets: Iterable[LocateTicket], days: Sequence[date]) -> list[TicketLine]:
    """Return the tickets that matter for digging on these days, the first to open first."""
    first, last = days[0], days[-1]
    rows = sorted(tickets, key=lambda ticket: (ticket.dig_from, ticket.pk))
    return [
        TicketLine(
            number=row.number,
            words=f"digging {dated(row.dig_from)} to {dated(row.expires_on)}",
            answers=answer_words(row).partition(": ")[2],
            is_live=row.dig_from <= first and last <= row.expires_on,
        )
        for row in rows
        if row.expires_on >= first
    ]


def uncovered_words(tickets: Iterable[LocateTicket], days: Sequence[date]) -> str:
    """Return on which of the days digging has no live ticket, "" where it has on all."""
    spans = [(ticket.dig_from, ticket.expires_on) for ticket in tickets]
    bare = locate.first_uncovered_date(spans, days[0], days[-1])
    return f"No digging on {dated(bare)}: no locate ticket is live on that day." if bare else ""


def weather_words(
    weather: Weather, job: Job, *, gates: Iterable[WeatherGate], day: date
) -> DayWeather | None:
    """Return what the day's weather means for work behind gates; None where it is not known."""
    area = weather.area_of(job)
    if area is None:
        return None
    judged = [(gate, area.verdict(gate, day, soil=str(job.soil))) for gate in gates]
    known = [(gate, verdict) for gate, verdict in judged if verdict is not None]
    if not known:
        return None
    gate, worst = max(known, key=lambda pair: pair[1].level)
    # What stops the work is enough to know; a caution may come from more than one gate.
    of_gates = [worst] if worst.level is Level.STOP else [verdict for _, verdict in known]
    why = "; ".join(dict.fromkeys(_reasons(of_gates)))
    caution = CAUTIONS.get(gate, "") if worst.level is not Level.GO else ""
    return DayWeather(worst.level.word, _sky_words(area.hours_of(day)), why, caution)


def _reasons(verdicts: Iterable[DayVerdict]) -> Iterable[str]:
    return (reason for verdict in verdicts for reason in verdict.reasons)


def _sky_words(hours: Iterable[HourOfWeather | None]) -> str:
    """Return the day's air, wind and rain in one line."""
    known = [hour for hour in hours if hour is not None]
    temps = [hour.temp_degf for hour in known if hour.temp_degf is not None]
    gusts = [value for hour in known for value in (hour.gust_mph, hour.wind_mph) if value]
    rain_in = sum(hour.rain_in or 0.0 for hour in known)
    ends = list(dict.fromkeys(f"{temp:.0f}" for temp in (min(temps), max(temps)))) if temps else []
    parts = [f"{' to '.join(ends)} °F"] if ends else []
    parts += [f"wind to {max(gusts):.0f} mph"] if gusts else []
    parts += [f"rain {number_text(rain_in, places=2)} in"] if rain_in >= 0.005 else []
    return ", ".join(parts)


def size_words(building: Building) -> str:
    """Return the building in one line, like "40 × 60 × 12 ft, 4 in 12, 8 bays, 26 posts"."""
    posts = take_off(building)["posts"]
    return (
        f"{building.width_ft:g} × {building.length_ft:g} × {building.eave_ft:g} ft, "
        f"{building.pitch_in_12:g} in 12, {building.bays} bays, {posts:g} posts"
    )


def sizes(building: Building, job: Job) -> list[tuple[str, str]]:
    """Return the sizes that are looked up at a site, each with its name."""
    counted = take_off(building)
    doors = "; ".join(str(opening) for opening in job.openings.all())
    sheds = "; ".join(str(lean_to) for lean_to in job.lean_tos.all())
    rows = [
        ("Width × length", f"{feet(building.width_ft)} × {feet(building.length_ft)}"),
        ("Eave height", feet(building.eave_ft)),
        ("Pitch", f"{building.pitch_in_12:g} in 12"),
        ("Bays", f"{building.bays} of {feet(building.actual_bay_ft)}"),
        ("Posts", f"{counted['posts']:g}"),
        ("Foundation", job.get_foundation_display()),
        ("Holes", _hole_words(building) if job.foundation != "SLAB_BRACKET" else ""),
        ("Eave overhang", feet(building.overhang_ft)),
        ("Gable overhang", feet(building.gable_overhang_ft)),
        ("Doors and windows", doors),
        ("Lean-tos", sheds),
    ]
    return [(name, value) for name, value in rows if value]


def _hole_words(building: Building) -> str:
    """Return the sizes of a hole; a precast pier gets no collar of concrete."""
    hole = (
        f"{building.pier_diameter_in:g} in wide, {building.hole_depth_in:g} in deep, "
        f"pad {building.pad_in:g} in"
    )
    poured = building.foundation is Foundation.POURED_PIER
    return f"{hole}, collar {building.collar_in:g} in" if poured else hole


def delivery_words(delivery: Delivery) -> str:
    """Return where a delivery stands: here, short, promised for a day, or not known."""
    name = delivery.get_item_display()
    quantity = f" ({delivery.quantity})" if delivery.quantity else ""
    if delivery.is_complete:
        return f"{name}{quantity}: on site since {_day(delivery.arrived_on)}"
    if delivery.arrived_on:
        return f"{name}{quantity}: short or damaged, {delivery.shortage}"
    if delivery.promised_on:
        return f"{name}{quantity}: promised for {_day(delivery.promised_on)}"
    return f"{name}{quantity}: no day promised"


def visit_words(visit: Inspection) -> str:
    """Return an inspector's visit that is asked for or confirmed."""
    name = PHASE_TABLE[visit.phase.code].label
    if visit.visit_from is None:
        return f"{name}: asked for {_day(timezone.localdate(visit.requested_at))}, no time yet"
    begins = timezone.localtime(visit.visit_from)
    until = timezone.localtime(visit.visit_until) if visit.visit_until else begins
    return f"{name}: {_day(begins.date())}, {begins:%H:%M}–{until:%H:%M}"


def geo_uri(job: Job) -> str:
    """
    Return an address for the phone's own map program (RFC 5870).

    Where no place is known it asks for the site's address, which the standard has not and phones
    that know `geo:` take all the same (from memory).
    """
    if job.site_latitude_deg is None or job.site_longitude_deg is None:
        return f"geo:0,0?q={quote(address(job))}"
    place = f"{job.site_latitude_deg:.6f},{job.site_longitude_deg:.6f}"
    return f"geo:{place}?q={place}"


def map_url(job: Job) -> str:
    """
    Return an address of a map on the web, for phones that know no `geo:` address.

    Which map is a setting; "" where it is empty. Nothing is fetched from it with the page.
    """
    where = address(job)
    if job.site_latitude_deg is not None and job.site_longitude_deg is not None:
        where = f"{job.site_latitude_deg:.6f},{job.site_longitude_deg:.6f}"
    page: str = settings.MAP_URL
    return page.replace("{where}", quote(where, safe=""))


def address(job: Job) -> str:
    """Return the site's address in one line."""
    return f"{job.site_address}, {job.site_town}, {job.site_state}"


def _day(day: date | None) -> str:
    return f"{day:%a %b %-d}" if day else ""
