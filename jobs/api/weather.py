"""Weather by area and day, the crews it stops, and the sites as they were shot."""

from __future__ import annotations

from dataclasses import asdict
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework.response import Response

from contractor.trade.weather import PHASE_GATES, WeatherGate
from inspections.selectors.stopped_work import LOOK_AHEAD_DAYS, CrewDay, crew_days
from inspections.selectors.weather import AreaWeather, weather_at
from jobs.api.base import OwnersList
from jobs.api.kept import kept
from jobs.api.shapes import answers
from jobs.api.weather_shapes import CrewDayShape, WeatherAreaShape

if TYPE_CHECKING:
    from datetime import date

    from rest_framework.request import Request

    from inspections.selectors.site import SiteState
    from jobs.models import Job

SHOWN_GATES = (*PHASE_GATES, WeatherGate.LIFT, WeatherGate.OUTDOORS)
PLACES = 2


class WeatherList(OwnersList):
    """The weather of the next seven days by area and kind of work."""

    serializer_class = WeatherAreaShape

    @extend_schema(responses=answers(WeatherAreaShape(many=True)), operation_id="weather_list")
    @kept
    def get(self, request: Request) -> Response:
        """List areas with what each day's weather means for the work."""
        return self.answer(list(weather_at(timezone.now()).areas))

    def show(self, page: list[AreaWeather]) -> list[dict[str, Any]]:
        """Return the areas of a page."""
        return [_area(known) for known in page]


class StoppedCrewList(OwnersList):
    """Crews whose booked work weather stops in the next seven days."""

    serializer_class = CrewDayShape

    @extend_schema(responses=answers(CrewDayShape(many=True)), operation_id="stopped_crews_list")
    @kept
    def get(self, request: Request) -> Response:
        """List, by day and crew, the stopped work and what could be done instead."""
        return self.answer(crew_days(now=timezone.now()))

    def show(self, page: list[CrewDay]) -> list[dict[str, Any]]:
        """Return the crews' days of a page."""
        return [_crew_day(row) for row in page]


def site_body(job: Job, state: SiteState | None) -> dict[str, Any] | None:
    """Return a job's site as the API shows it; None where nobody has shot it."""
    if state is None:
        return None
    grade = state.grade
    return {
        "taken_on": state.taken_on,
        "taken_by": state.taken_by,
        "ready": state.is_ready,
        "text": state.text,
        "most_fall_in": state.most_fall_in,
        "fall_in": grade and round(grade.fall_in, PLACES),
        "high_point": grade and grade.high_point.value,
        "floor_ft": grade and round(grade.floor_ft, PLACES),
        "cut_cy": grade and round(grade.cut_cy, 1),
        "fill_cy": grade and round(grade.fill_cy, 1),
        "corners": [
            {
                name: round(value, PLACES) if isinstance(value, float) else value
                for name, value in asdict(corner).items()
            }
            for corner in (grade.corners if grade else ())
        ],
        "shots": [
            {"place": shot.place, "kind": shot.kind, "reading_ft": shot.reading_ft}
            for shot in job.site_shots.all()
            if shot.taken_on == state.taken_on
        ],
        "expected_on": state.expected_on,
        "released_on": state.released_on,
        "release_why": state.release_why,
    }


def _area(known: AreaWeather) -> dict[str, Any]:
    area = known.area
    days = [known.today + timedelta(days=n) for n in range(LOOK_AHEAD_DAYS)]
    return {
        "name": area.name,
        "counties": sorted(area.county_names()),
        "default": area.is_default,
        "last_good_at": area.last_good_at,
        "last_error": area.last_error,
        "days": [
            {"day": day, "verdicts": [_verdict(known, gate, day) for gate in SHOWN_GATES]}
            for day in days
        ],
    }


def _verdict(known: AreaWeather, gate: WeatherGate, day: date) -> dict[str, Any]:
    verdict = known.verdict(gate, day)
    return {
        "gate": gate.value,
        "level": verdict.level.name if verdict else None,
        "reasons": list(verdict.reasons) if verdict else [],
        "stopped_hours": verdict.stopped_hours if verdict else 0.0,
    }


def _crew_day(row: CrewDay) -> dict[str, Any]:
    return {
        "day": row.day,
        "crew": row.crew.name,
        "stopped": [
            {
                "job": stop.booking.phase.job.number,
                "phase": stop.booking.phase.code,
                "part": stop.booking.phase.part,
                "why": stop.why,
            }
            for stop in row.stopped
        ],
        "offers": [
            {
                "job": offer.phase.job.number,
                "phase": offer.phase.code,
                "part": offer.phase.part,
                "under_cover": offer.under_cover,
                "booked_on": offer.booked_on,
            }
            for offer in row.offers
        ],
    }
