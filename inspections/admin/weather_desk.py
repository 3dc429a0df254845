"""The weather page: each area's next days by gate, where they come from, and days by hand."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from django import forms
from django.utils import timezone

from contractor.trade.nws_forecast import ForecastError
from contractor.trade.weather import CAUTIONS, DEFER, PHASE_GATES, WeatherGate
from contractor.trade.weather_days import DaySummary
from inspections.models import WeatherArea, WeatherHour
from inspections.selectors.stopped_work import LOOK_AHEAD_DAYS, CrewDay, crew_days
from inspections.selectors.weather import AreaWeather, weather_at
from jobs.admin.words import day as day_words

if TYPE_CHECKING:
    from contractor.trade.weather import DayVerdict

SHOWN_GATES = (*PHASE_GATES, WeatherGate.LIFT, WeatherGate.OUTDOORS)
MOST_FILE_BYTES = 200_000
# A forecast that is older than this is told as old.
STALE_AFTER = timedelta(hours=12)


@dataclass(frozen=True, slots=True)
class Cell:
    """What one gate says of one day: the word in front, then why."""

    word: str
    why: str


@dataclass(frozen=True, slots=True)
class GateRow:
    """One gate over the days shown."""

    gate: WeatherGate
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class AreaSection:
    """One area as the page shows it."""

    area: WeatherArea
    days: tuple[date, ...]
    rows: tuple[GateRow, ...]
    state: tuple[str, ...]
    is_troubled: bool
    by_hand: tuple[date, ...]
    form: DayForm


class DayForm(forms.Form):
    """A day's weather as the office says it is."""

    day = forms.DateField(widget=forms.DateInput(attrs={"type": "date"}))
    low_degf = forms.FloatField(label="Low (°F)")
    high_degf = forms.FloatField(label="High (°F)")
    wind_mph = forms.FloatField(label="Wind (mph)")
    gust_mph = forms.FloatField(label="Gusts (mph)", required=False)
    rain_in = forms.FloatField(label="Rain (in)", required=False)
    thunder = forms.BooleanField(label="Thunder", required=False)

    def clean_day(self) -> date:
        """Refuse days that no plan reads."""
        day: date = self.cleaned_data["day"]
        today = timezone.localdate()
        first, last = today - timedelta(days=10), today + timedelta(days=10)
        if not first <= day <= last:
            raise forms.ValidationError(
                f"{day} is more than ten days away. Enter a day from {first} to {last}."
            )
        return day

    def clean(self) -> dict[str, Any]:
        """Refuse weather that cannot be; keep the day's summary otherwise."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        if self.errors:
            return cleaned
        try:
            cleaned["summary"] = DaySummary(
                low_degf=cleaned["low_degf"],
                high_degf=cleaned["high_degf"],
                wind_mph=cleaned["wind_mph"],
                gust_mph=cleaned["gust_mph"],
                rain_in=cleaned["rain_in"] or 0.0,
                thunder=cleaned["thunder"],
            )
        except ForecastError as error:
            raise forms.ValidationError(str(error)) from error
        return cleaned


class DaysFileForm(forms.Form):
    """A CSV file of days."""

    days = forms.FileField(label="CSV file of days")

    def clean_days(self) -> str:
        """Return the file's text; refuse what is too long or no text."""
        sent = self.cleaned_data["days"]
        if sent.size > MOST_FILE_BYTES:
            raise forms.ValidationError(
                f"{sent.name} has {sent.size} bytes. Send at most {MOST_FILE_BYTES}."
            )
        try:
            return str(sent.read().decode("utf-8-sig"))
        except UnicodeDecodeError as error:
            raise forms.ValidationError(f"{sent.name} is not text in UTF-8.") from error


def desk_context(*, now: datetime, bound: tuple[int, DayForm] | None = None) -> dict[str, Any]:
    """Return what the page shows; `bound` is the form of an area that was refused."""
    weather = weather_at(now)
    today = timezone.localdate(now)
    days = tuple(today + timedelta(days=n) for n in range(LOOK_AHEAD_DAYS))
    by_hand = _days_by_hand(now)
    refused, form = bound or (0, None)
    return {
        "title": "Weather",
        "areas": [
            _section(
                area,
                days,
                now=now,
                by_hand=by_hand.get(area.area.pk, ()),
                form=form if form is not None and area.area.pk == refused else None,
            )
            for area in weather.areas
        ],
        "days": [day_words(day) for day in days],
        "crew_days": [_crew_day(row) for row in crew_days(now=now)],
        "cautions": [(gate.label, CAUTIONS[gate]) for gate in SHOWN_GATES],
        "defer": DEFER,
    }


def _section(
    known: AreaWeather,
    days: tuple[date, ...],
    *,
    now: datetime,
    by_hand: tuple[date, ...],
    form: DayForm | None,
) -> AreaSection:
    area = known.area
    troubled, state = _state(area, now)
    return AreaSection(
        area=area,
        days=days,
        rows=tuple(
            GateRow(gate, tuple(_cell(known.verdict(gate, day)) for day in days))
            for gate in SHOWN_GATES
        ),
        state=state,
        is_troubled=troubled,
        by_hand=by_hand,
        form=form or DayForm(auto_id=f"id_{area.pk}_%s", initial={"day": days[0]}),
    )


def _cell(verdict: DayVerdict | None) -> Cell:
    if verdict is None:
        return Cell("not known", "")
    return Cell(verdict.level.word, verdict.why)


def _state(area: WeatherArea, now: datetime) -> tuple[bool, tuple[str, ...]]:
    """Return whether something is wrong with an area's source, and its state in sentences."""
    if not area.forecast_url:
        return False, ("No forecast address: nothing is fetched. Days are entered by hand.",)
    if area.last_good_at is None:
        good = "No forecast has come yet."
    else:
        good = f"Last good forecast: {_moment(area.last_good_at)}."
    old = area.last_good_at is not None and now - area.last_good_at > STALE_AFTER
    if old:
        good += " That is more than 12 hours ago; look at the sky and call the sites."
    if not area.last_error:
        return old or area.last_good_at is None, (good,)
    tried = f"The last try, {_moment(area.last_tried_at)}, failed: {area.last_error}"
    return True, (good, f"{tried}. What was known is kept.")


def _moment(moment: datetime | None) -> str:
    if moment is None:
        return "never"
    return f"{day_words(moment)}, {timezone.localtime(moment):%H:%M}"


def _days_by_hand(now: datetime) -> dict[int, tuple[date, ...]]:
    """Return the days from today on that were entered by hand, by area."""
    since = datetime.combine(
        timezone.localdate(now), datetime.min.time(), tzinfo=timezone.get_default_timezone()
    )
    found: dict[int, set[date]] = {}
    rows = WeatherHour.objects.filter(source=WeatherHour.Source.BY_HAND, starts_at__gte=since)
    for area_id, starts_at in rows.values_list("area_id", "starts_at"):
        found.setdefault(area_id, set()).add(timezone.localdate(starts_at))
    return {area_id: tuple(sorted(days)) for area_id, days in found.items()}


@dataclass(frozen=True, slots=True)
class CrewDayRow:
    """A crew's stopped day in words."""

    crew: str
    day: str
    stopped: tuple[str, ...]
    offers: tuple[tuple[int, str], ...]


def _crew_day(row: CrewDay) -> CrewDayRow:
    return CrewDayRow(
        crew=row.crew.name,
        day=day_words(row.day),
        stopped=tuple(
            f"{stop.booking.phase.get_code_display()} of {stop.booking.phase.job}: {stop.why}"
            for stop in row.stopped
        ),
        offers=tuple(
            (
                offer.phase.job_id,
                f"{offer.phase.get_code_display()} of {offer.phase.job}, "
                f"{'under cover' if offer.under_cover else 'outdoors'}, "
                f"{offer.phase.job.drive_minutes} min drive, "
                + (f"booked {day_words(offer.booked_on)}" if offer.booked_on else "not booked"),
            )
            for offer in row.offers
        ),
    )
