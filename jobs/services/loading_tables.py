"""What each file holds: its model, its columns, what names a row, and in which order files load."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, cast

from django.db import models

from crews.models import Crew, DayOff, Equipment, Firm, WorkHours
from inspections.models import (
    Authority,
    AuthorityClosure,
    Inspection,
    InspectionEvent,
    InspectionRule,
    LocateRule,
    LocateTicket,
    Permit,
    Pour,
    PourReading,
    SiteReadiness,
    SiteShot,
    StrengthNeed,
    TicketResponse,
    WeatherArea,
    WeatherHour,
    WeatherLimit,
)
from jobs.models import (
    Callback,
    Delivery,
    DeliveryReport,
    FieldReport,
    Job,
    LaborRate,
    LeadTime,
    LeanTo,
    LeftOutWork,
    LentPeople,
    Opening,
    Phase,
    SetAside,
)
from jobs.models.specification import Specification

__all__ = ["KEY_OF", "TABLES", "Column", "Table"]

if TYPE_CHECKING:
    AnyField = models.Field[Any, Any]


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a file: the model's field behind it, and the file whose row it names, if any."""

    name: str
    field: AnyField
    refers_to: str = ""
    is_optional: bool = False

    @property
    def attname(self) -> str:
        """Return the name of the model's attribute that takes the value."""
        return self.field.name

    @property
    def is_required(self) -> bool:
        """Return whether an empty cell has no default to stand for it."""
        if self.is_optional or self.field.null or self.field.blank:
            return False
        return not self.field.has_default() or self.field.get_default() in ("", [])

    @property
    def path(self) -> str:
        """Return the query path from the model to the text that the cell holds."""
        return f"{self.field.name}__{KEY_OF[self.refers_to]}" if self.refers_to else self.field.name


@dataclass(frozen=True, slots=True)
class Table:
    """
    One kind of file.

    `key` names the columns that tell two rows apart; a table without a key is part of its job and
    is loaded together with it. `blamed` maps a constraint to the column that its message stands at.
    """

    kind: str
    model: type[models.Model]
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    blamed: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))

    def column(self, name: str) -> Column:
        """Return the column of that name."""
        return next(column for column in self.columns if column.name == name)


# The one field that other files name a row by.
KEY_OF: Mapping[str, str] = MappingProxyType(
    {
        "work_hours": "name",
        "crews": "name",
        "equipment": "name",
        "authorities": "name",
        "weather_areas": "name",
        "jobs": "number",
        "tickets": "number",
    }
)
_REFERENCES: Mapping[type[models.Model], str] = MappingProxyType(
    {
        WorkHours: "work_hours",
        Crew: "crews",
        Equipment: "equipment",
        Authority: "authorities",
        WeatherArea: "weather_areas",
        Job: "jobs",
        LocateTicket: "tickets",
    }
)
_SPECIFICATION = " ".join(f.name for f in Specification._meta.local_fields)


def _columns(model: type[models.Model], names: str) -> Iterator[Column]:
    """Yield a column for each name; `hours=reported_hours` gives a field another column name."""
    for word in names.split():
        name, _, field_name = word.partition("=")
        model_field = cast("AnyField", model._meta.get_field(field_name or name))
        related = model_field.related_model
        yield Column(name, model_field, _REFERENCES[related] if related else "")


def _table(kind: str, model: type[models.Model], names: str, key: str = "", **blamed: str) -> Table:
    return Table(kind, model, tuple(_columns(model, names)), tuple(key.split()), blamed)


def _pour_table(kind: str, model: type[models.Model], names: str, key: str) -> Table:
    """Return a table whose rows belong to a pour, named by its phase, its moment and its part."""
    of_pour = (*_columns(Phase, "job phase=code"), *_columns(Pour, "poured_at part"))
    return Table(kind, model, of_pour + tuple(_columns(model, names)), tuple(key.split()))


def _visit_table(kind: str, model: type[models.Model], names: str, key: str) -> Table:
    """Return a table whose rows belong to a visit, named by its phase and when it was asked."""
    of_visit = (*_columns(Phase, "job phase=code"), *_columns(Inspection, "requested_at"))
    return Table(kind, model, of_visit + tuple(_columns(model, names)), tuple(key.split()))


def _callback_table(kind: str, names: str, key: str, **blamed: str) -> Table:
    """Return a table whose rows may name the time set aside for their visit, as its file does."""
    of_visit = _columns(SetAside, "visit_crew=crew visit_starts_at=starts_at")
    columns = (*_columns(Callback, names), *(replace(one, is_optional=True) for one in of_visit))
    return Table(kind, Callback, columns, tuple(key.split()), blamed)


def _phase_table(
    kind: str, model: type[models.Model], names: str, key: str, *, part: str = ""
) -> Table:
    """Return a table whose rows belong to a phase, named by job and code, or to a `part` of it."""
    of_phase = tuple(_columns(Phase, f"job phase=code {part}"))
    return Table(kind, model, of_phase + tuple(_columns(model, names)), tuple(key.split()))


_JOB_COLUMNS = (
    "number status sold_on promised_on earliest_start_on completed_on contract_value_usd "
    "promise_weight preferred_crew buyer_name buyer_phone buyer_email tells_buyer "
    "crew_may_call_buyer site_address site_town site_county site_state gate_code "
    f"drive_minutes site_latitude_deg "
    f"site_longitude_deg {_SPECIFICATION} notes"
)
_WEEK = "monday tuesday wednesday thursday friday saturday sunday"

_ALL = (
    _table(
        "firm",
        Firm,
        "name county state phone month_temperatures_degf daily_swing_degf freeze_days "
        "crew_day_cost_usd site_most_fall_in notice_hour quiet_from quiet_until "
        "slip_threshold_days",
        "name",
    ),
    _table(
        "weather_areas",
        WeatherArea,
        "name counties is_default forecast_url month_temperatures_degf rain_days_010 "
        "rain_days_025 rain_days_050 windy_days mud_days_good mud_days_hard mud_days_rock",
        "name",
        weather_area_one_default="is_default",
    ),
    _table(
        "weather_limits",
        WeatherLimit,
        "gate caution_wind_mph stop_wind_mph stop_gust_mph stop_rain_in caution_degf stop_degf "
        "caution_heat_degf stop_heat_degf caution_chill_degf note",
        "gate",
    ),
    _table(
        "weather_hours",
        WeatherHour,
        "area starts_at source made_at temp_degf wind_mph gust_mph rain_in humidity_percent "
        "thunder",
        "area starts_at source",
    ),
    _table("work_hours", WorkHours, f"name {_WEEK}", "name"),
    _table("rates", LaborRate, "code hours_per_unit note", "code"),
    _table(
        "crews",
        Crew,
        "name lead_name lead_phone size people_by_name skills pace work_hours is_active",
        "name",
        crew_size_at_least_one="size",
        crew_pace_above_zero="pace",
    ),
    _table("equipment", Equipment, "name kind is_active", "name"),
    _table(
        "days_off",
        DayOff,
        "first_day last_day crew equipment reason is_public_holiday",
        "first_day last_day crew equipment reason",
        day_off_ends_after_it_starts="last_day",
        day_off_of_crew_or_machine="equipment",
    ),
    _table(
        "lent_people",
        LentPeople,
        "from_crew to_crew people first_day last_day note",
        "from_crew to_crew first_day last_day note",
        lent_people_end_after_they_start="last_day",
        lent_people_to_another_crew="to_crew",
    ),
    _table(
        "authorities",
        Authority,
        "name county state phone request_way request_to inspects_holes inspects_slab "
        "inspects_frame inspects_final request_cutoff notice_working_days notice_hours asked_when "
        "visit_windows weekdays takes_wishes visits_per_day reinspection_fee_usd "
        "fee_after_failures fee_is_prepaid lapse_days",
        "name",
        authority_notice_in_hours_or_days="notice_hours",
    ),
    _table(
        "inspection_rules",
        InspectionRule,
        "authority inspection uses minimum_area_sf holds",
        "authority inspection uses minimum_area_sf",
        only_a_frame_inspection_chooses_what_it_holds="holds",
    ),
    _table(
        "closures",
        AuthorityClosure,
        "authority first_day last_day reason repeats",
        "authority first_day last_day reason",
        closure_ends_after_it_starts="last_day",
    ),
    _table(
        "locate_rules",
        LocateRule,
        "state notice_working_days notice_hours count_from_next_day call_by life_days "
        "life_in_working_days life_from_dig_date must_start_days idle_limit_days "
        "must_view_response source checked_on",
        "state",
        locate_rule_days_or_hours="notice_hours",
        locate_rule_life_above_notice="life_days",
    ),
    _table(
        "lead_times",
        LeadTime,
        "item supplier post_kind over_span_ft to_span_ft days source checked_on",
        "item supplier post_kind over_span_ft",
        lead_time_span_runs_forward="to_span_ft",
    ),
    _table(
        "jobs",
        Job,
        _JOB_COLUMNS,
        "number",
        job_done_has_its_day="completed_on",
        job_promise_after_sale="promised_on",
        job_completed_after_sale="completed_on",
        job_bay_within_length="bay_ft",
        job_site_has_both_degrees_or_none="site_latitude_deg",
    ),
    _table("openings", Opening, "job kind width_ft height_ft count"),
    _table("lean_tos", LeanTo, "job width_ft length_ft low_eave_ft enclosed"),
    _table(
        "permits",
        Permit,
        "job authority number is_exempt drawings_received_on applied_on expected_on issued_on",
        "job",
        permit_issued_after_applied="issued_on",
    ),
    _table(
        "deliveries",
        Delivery,
        "job item supplier quantity ordered_on promised_on confirmed_on arrived_on shortage",
        "job item",
        delivery_short_has_arrived="arrived_on",
    ),
    _table(
        "delivery_reports",
        DeliveryReport,
        "job item kind told_at told_by note promised_before confirmed_before arrived_before "
        "shortage_before undone_at",
        "job item told_at",
        delivery_report_undone_after_told="undone_at",
    ),
    _table(
        "set_aside",
        SetAside,
        "crew kind starts_at ends_at job note",
        "crew starts_at",
        set_aside_ends_after_it_starts="ends_at",
    ),
    _callback_table(
        "callbacks",
        "job kind what asked_on asked_by promised_on labor_hours done_on done_note",
        "job what asked_on",
        callback_promised_after_it_was_asked_for="promised_on",
        callback_done_after_it_was_asked_for="done_on",
        callback_takes_hours="labor_hours",
    ),
    _table(
        "tickets",
        LocateTicket,
        "number job called_on dig_from expires_on called_by renewed_from marks_seen_on "
        "private_lines",
        "number",
        ticket_dates_in_order="dig_from",
        ticket_marks_seen_after_the_call="marks_seen_on",
    ),
    _table(
        "site_shots",
        SiteShot,
        "job taken_on place kind reading_ft taken_by",
        "job taken_on place",
    ),
    _table(
        "site_readiness",
        SiteReadiness,
        "job most_fall_in expected_on released_at release_why",
        "job",
        site_release_says_why="release_why",
    ),
    _table("responses", TicketResponse, "ticket utility answer viewed_at", "ticket utility"),
    _phase_table(
        "inspections",
        Inspection,
        "status requested_at visit_from visit_until decided_at released released_share note",
        "job phase requested_at",
    ),
    _visit_table(
        "visit_record",
        InspectionEvent,
        "number at said_by from_status to_status note",
        "job phase requested_at number",
    ),
    _table(
        "strength_needs",
        StrengthNeed,
        "job poured_phase following_phase strength_percent minimum_hours stated_by entered_at",
        "following_phase poured_phase job",
        strength_need_above_0_and_at_most_100="strength_percent",
    ),
    _phase_table(
        "history",
        Phase,
        "share_of_whole crew started_at done_at share_done share_at hours=reported_hours "
        "office_hours pinned_crew pinned_start_at",
        "job phase part",
        part="part",
    ),
    _phase_table("left_out", LeftOutWork, "reason at", "job phase part", part="part"),
    _phase_table(
        "reports",
        FieldReport,
        "id kind made_at happened_at received_at crew by_name from_office share_done crew_hours "
        "people stopped_by stopped_until note corrects=corrects_id corrected_kind set_status "
        "set_started_at set_done_at",
        "id",
        part="part",
    ),
    _phase_table(
        "pours",
        Pour,
        "poured_at part mix_psi cement cured is_accelerated placed_degf ground_degf "
        "protected_until note",
        "job phase poured_at part",
    ),
    _pour_table(
        "pour_readings",
        PourReading,
        "taken_at of temp_degf",
        "job phase poured_at part taken_at of",
    ),
)

# In the order in which they load: a row may name rows of the files before its own.
TABLES: Mapping[str, Table] = MappingProxyType({table.kind: table for table in _ALL})
