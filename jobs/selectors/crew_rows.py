"""What a crew reads of its work: phases, days and weeks as values, in words."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from contractor.trade.labeled import Labeled
from contractor.trade.phases import PHASE_TABLE
from jobs.selectors import crew_site

if TYPE_CHECKING:
    from datetime import date, datetime

    from contractor.trade.building import Building
    from inspections.models import Inspection
    from jobs.models import Delivery, FieldReport, Job, Phase, ReportPhoto, SetAside
    from jobs.selectors.crew_site import DayWeather, TicketLine


class RowState(Labeled):
    """Where a phase stands for those who are to do it; its words come first on a phone."""

    UNDER_WAY = "UNDER_WAY"
    CLEARED = "CLEARED"
    IN_TURN = "IN_TURN"
    WAITS = "WAITS"
    STOPPED = "STOPPED"
    DONE = "DONE"

    @property
    def label(self) -> str:
        """Return the state in words."""
        return {
            RowState.CLEARED: "Cleared to start",
            RowState.IN_TURN: "Next in turn",
            RowState.WAITS: "Do not start yet",
        }.get(self, super().label)


WORKED_AT = (RowState.UNDER_WAY, RowState.CLEARED, RowState.IN_TURN)


@dataclass(frozen=True, slots=True)
class DeliveryLine:
    """Material for a phase, and where it stands."""

    delivery: Delivery
    words: str

    @property
    def is_open(self) -> bool:
        """Return whether some of it is still to come."""
        return not self.delivery.is_complete


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseRow:
    """
    A phase as its crew reads it, on one day or as a whole; its `phase` has its job loaded.

    `holds` says why it may not start; `after` what others must have done before it, `in_turn` what
    the crew itself must have; `then` who comes next. `other_deliveries` are still to come to the
    site for other phases. `starts_at` and `ends_at` are the published
    ones, or the real ones of begun work; None where the published plan has the phase no more.
    """

    phase: Phase
    state: RowState
    starts_at: datetime | None
    ends_at: datetime | None
    work_hours: float | None
    days: tuple[date, ...]
    holds: tuple[str, ...]
    after: tuple[str, ...]
    in_turn: tuple[str, ...]
    then: tuple[str, ...]
    is_late: bool
    weather: tuple[tuple[date, DayWeather | None], ...]
    machines: tuple[str, ...]
    tickets: tuple[TicketLine, ...]
    deliveries: tuple[DeliveryLine, ...]
    other_deliveries: tuple[DeliveryLine, ...]
    visits: tuple[Inspection, ...]
    building: Building | None

    @property
    def job(self) -> Job:
        """Return the job."""
        return self.phase.job

    @property
    def label(self) -> str:
        """Return the phase in words."""
        return self.phase.get_code_display()

    @property
    def waits(self) -> tuple[str, ...]:
        """Return all that keeps it from being started, in words."""
        return (*self.holds, *self.after)

    @property
    def awaited(self) -> list[DeliveryLine]:
        """Return the deliveries to the site of which some is still to come, its own first."""
        return [line for line in (*self.deliveries, *self.other_deliveries) if line.is_open]

    @property
    def address(self) -> str:
        """Return the site's address in one line."""
        return crew_site.address(self.job)

    @property
    def geo_uri(self) -> str:
        """Return an address for the phone's own map program."""
        return crew_site.geo_uri(self.job)

    @property
    def map_url(self) -> str:
        """Return an address of a map on the web."""
        return crew_site.map_url(self.job)

    @property
    def size_words(self) -> str:
        """Return the building in one line; "" where it cannot be built as entered."""
        return crew_site.size_words(self.building) if self.building else ""

    @property
    def sizes(self) -> list[tuple[str, str]]:
        """Return the sizes that are looked up at a site, each with its name."""
        return crew_site.sizes(self.building, self.job) if self.building else []

    @property
    def visits_words(self) -> list[str]:
        """Return the inspector's visits at the site that are still to come."""
        return [crew_site.visit_words(visit) for visit in self.visits]

    @property
    def share_words(self) -> str:
        """Return how much of begun work was reported done; "" where nothing is to tell."""
        is_begun = self.state in (RowState.UNDER_WAY, RowState.STOPPED)
        percent = round(self.phase.share_done * 100)
        return f"{percent} % done" if is_begun and percent else ""

    @property
    def phase_caution(self) -> str:
        """Return what can hurt in this phase, "" for nothing of its own."""
        return PHASE_TABLE[self.phase.code].caution

    @property
    def cautions(self) -> list[str]:
        """Return what can hurt in this phase and on this building."""
        return crew_site.cautions(self.phase.code, self.building)


@dataclass(frozen=True, slots=True, kw_only=True)
class DayRow:
    """
    A phase on one day: when the crew is at the site, and what the day's weather means for it.

    `is_same_site` where the crew is at the site already, with the phase before it.
    """

    row: PhaseRow
    on: date
    is_today: bool
    is_same_site: bool
    begins_at: datetime | None
    ends_at: datetime | None
    weather: DayWeather | None

    @property
    def coming(self) -> list[str]:
        """Return what is promised to come to the site that day for other phases; told once."""
        if self.is_same_site:
            return []
        lines = self.row.other_deliveries
        return [line.words for line in lines if line.delivery.promised_on == self.on]

    @property
    def is_stopped_by_weather(self) -> bool:
        """Return whether it is to be worked at today, and the weather says not to."""
        stops = self.weather is not None and self.weather.is_stop
        return self.is_today and stops and self.row.state in WORKED_AT

    @property
    def state_words(self) -> str:
        """Return the state in words; what is not cleared may still be so in time."""
        if self.is_stopped_by_weather:
            return "Weather stops it today"
        waits = self.row.state is RowState.WAITS and not self.is_today
        return "Not cleared yet" if waits else self.row.state.label

    @property
    def tone(self) -> str:
        """Return the name of the color that goes with the words."""
        return "waits" if self.is_stopped_by_weather else self.row.state.value.lower()


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """
    A day of a crew, with how many they are and who was lent.

    `off` says why nobody works on a day off, "" where nothing is entered, as on a Sunday. `aside`
    is time that the office has set aside for other work, callbacks among it.
    """

    on: date
    is_today: bool
    is_work_day: bool
    off: str
    people: int
    people_note: str
    rows: tuple[DayRow, ...]
    aside: tuple[SetAside, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Return whether there is nothing to do."""
        return not self.rows and not self.aside


@dataclass(frozen=True, slots=True)
class Week:
    """Today and the days to come, as known at `as_of`; days off and empty ones among them."""

    as_of: datetime
    days: tuple[Day, ...]

    @property
    def today(self) -> Day:
        """Return today."""
        return self.days[0]

    @property
    def later(self) -> tuple[Day, ...]:
        """Return the days after today that are worth a line: all but empty weekends."""
        return tuple(day for day in self.days[1:] if day.is_work_day or day.off or not day.is_empty)

    @property
    def phases(self) -> list[PhaseRow]:
        """Return every phase that is shown, once, in order of its first day."""
        found = {row.row.phase.pk: row.row for day in self.days for row in day.rows}
        return list(found.values())


@dataclass(frozen=True, slots=True)
class Told:
    """What was told of a phase's job on earlier days, the newest first."""

    notes: list[FieldReport] = field(default_factory=list)
    photos: list[ReportPhoto] = field(default_factory=list)
