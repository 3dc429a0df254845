"""What rows must satisfy together: sizes that fit, nothing there already, the constraints."""

import re
from collections import defaultdict
from datetime import date, datetime
from typing import Any, cast

from django.core.exceptions import ValidationError
from django.db import models
from django.utils import timezone

from contractor.trade.errors import SpecError
from contractor.trade.lead_times import STARTER_LEAD_TIMES
from contractor.trade.locate import STARTER_RULES
from contractor.trade.rates import STARTER_RATES
from crews.models import Crew, Firm
from inspections.models import LocateRule
from jobs.models import Callback, Delivery, Job, LeadTime, LeanTo, LentPeople, Opening, SetAside
from jobs.services.callbacks import warranty_faults
from jobs.services.crew_teams import nobody_left_on
from jobs.services.intake import check
from jobs.services.loading_files import LoadError
from jobs.services.loading_rows import Entry, Run
from jobs.services.loading_tables import TABLES, Table

__all__ = [
    "attach_rounds",
    "check_buildings",
    "check_callbacks",
    "check_constraints",
    "check_crew_time",
    "check_firm",
    "check_rates",
    "make_room_for_deliveries",
    "make_room_for_rules",
    "refuse_existing",
    "refuse_facts_to_come",
    "refuse_parts_of_stored_jobs",
]

# Rows of phases, which are made only once the jobs are stored.
PHASES_KNOWN_LATER = (
    *("inspections", "visit_record", "history", "pours", "pour_readings", "left_out"),
)
# By file: the days on which something happened. A plan takes them as facts.
_HAPPENED = {
    "jobs": ("sold_on", "completed_on"),
    "permits": ("drawings_received_on", "applied_on", "issued_on"),
    "deliveries": ("ordered_on", "confirmed_on", "arrived_on"),
    "locate_rules": ("checked_on",),
    "lead_times": ("checked_on",),
    "tickets": ("called_on", "marks_seen_on"),
    "site_shots": ("taken_on",),
    "callbacks": ("asked_on", "done_on"),
}
_PART = re.compile(r"(openings|lean_tos)\[(\d+)\]\.?(\w*)")


def check_buildings(run: Run, *, today: date) -> list[LoadError]:
    """Note every fault of every new job's building, and return what is only unusual about it."""
    parts: dict[str, dict[str, list[Entry]]] = {
        kind: defaultdict(list) for kind in ("openings", "lean_tos")
    }
    for kind, by_job in parts.items():
        for entry in run.good(kind):
            by_job[cast(Job, entry.values["job"]).number].append(entry)
    cautions = []
    for entry in list(run.good("jobs")):
        job = cast(Job, entry.instance)
        own = {kind: by_job[job.number] for kind, by_job in parts.items()}
        try:
            found = check(
                job=job,
                openings=[cast(Opening, part.instance) for part in own["openings"]],
                lean_tos=[cast(LeanTo, part.instance) for part in own["lean_tos"]],
                today=today,
                is_new=False,  # a promise that is past by now is a fact worth loading
            )
        except SpecError as error:
            for fault in error.faults:
                blamed, column = _blamed(entry, own, fault.field)
                run.fail(blamed, column, f"{_sentence(fault.message)} {fault.remedy}")
            run.give_up(entry)
            continue
        for caution in found:
            blamed, column = _blamed(entry, own, caution.field)
            cautions.append(
                LoadError(
                    file=blamed.file,
                    line=blamed.line,
                    column=column,
                    value=str(caution.value),
                    message=caution.message,
                )
            )
    return cautions


def check_callbacks(run: Run) -> None:
    """Refuse callbacks that are said to be under a warranty which does not cover them."""
    for entry in list(run.good("callbacks")):
        row = cast(Callback, entry.instance)
        if row.kind == Callback.Kind.WARRANTY:
            for fault in warranty_faults(cast(Job, entry.values["job"]), row.asked_on):
                run.fail(entry, "kind", f"{_sentence(fault.message)} {fault.remedy}")


def attach_rounds(run: Run) -> None:
    """
    Give each callback the time set aside for its visit, of these files or stored before.

    Time that these files tell is in the database by now, or refused.
    """
    named = {
        id(entry): (entry.values.get("visit_crew"), entry.values.get("visit_starts_at"))
        for entry in run.good("callbacks")
    }
    crews = {cast(Crew, crew).pk for crew, _ in named.values() if crew} - {None}
    stored = SetAside.objects.filter(crew__in=crews)
    visits = {(row.crew_id, row.starts_at): row for row in stored} if crews else {}
    refused = {
        (entry.values.get("crew"), entry.values.get("starts_at"))
        for entry in run.entries["set_aside"]
        if entry.instance is None
    }
    for entry in list(run.good("callbacks")):
        crew, starts_at = named[id(entry)]
        if not crew and not starts_at:
            continue
        if (crew, starts_at) in refused:
            run.give_up(entry)
        elif not crew or not starts_at:
            column = "visit_starts_at" if crew else "visit_crew"
            run.fail(entry, column, "A visit has a crew and a start. Write both, or neither.")
        elif (row := visits.get((cast(Crew, crew).pk, cast(datetime, starts_at)))) is None:
            message = (
                "Of that crew no time is set aside from then on. "
                "Load a set_aside.csv that has it, or leave both cells empty."
            )
            run.fail(entry, "visit_starts_at", message)
        else:
            cast(Callback, entry.instance).round = row


def check_crew_time(run: Run) -> None:
    """Refuse a crew's time set aside twice, and people lent where nobody would be left."""
    _check_set_aside(run)
    _check_lent(run)


def _check_set_aside(run: Run) -> None:
    names = {cast(Crew, entry.values["crew"]).name for entry in run.good("set_aside")}
    stored = SetAside.objects.filter(crew__name__in=names) if names else SetAside.objects.none()
    taken: dict[str, list[tuple[datetime, datetime]]] = defaultdict(list)
    for name, starts_at, ends_at in stored.values_list("crew__name", "starts_at", "ends_at"):
        taken[name].append((starts_at, ends_at))
    for entry in list(run.good("set_aside")):
        row, crew = cast(SetAside, entry.instance), cast(Crew, entry.values["crew"])
        for starts_at, ends_at in taken[crew.name]:
            if starts_at < row.ends_at and row.starts_at < ends_at:
                begins = timezone.localtime(starts_at)
                message = f"{crew.name} has time set aside from {begins:%b %-d, %Y, %H:%M} already."
                run.fail(entry, "starts_at", f"{message} Write other hours, or take the row out.")
                break
        else:
            taken[crew.name].append((row.starts_at, row.ends_at))


def _check_lent(run: Run) -> None:
    names = {cast(Crew, entry.values["from_crew"]).name for entry in run.good("lent_people")}
    stored = LentPeople.objects.filter(from_crew__name__in=names).select_related("from_crew")
    lent: dict[str, list[LentPeople]] = defaultdict(list)
    for row in stored if names else ():
        lent[row.from_crew.name].append(row)
    for entry in list(run.good("lent_people")):
        row, crew = cast(LentPeople, entry.instance), cast(Crew, entry.values["from_crew"])
        short = nobody_left_on(crew.size, [*lent[crew.name], row])
        if short is None:
            lent[crew.name].append(row)
        else:
            message = f"{crew.name} has {crew.size} people: nobody is left on {short:%b %-d, %Y}."
            run.fail(entry, "people", f"{message} Lend fewer.")


def refuse_facts_to_come(run: Run, *, today: date) -> None:
    """Refuse what is said to have happened on a day still to come."""
    for kind, columns in _HAPPENED.items():
        for entry in list(run.good(kind)):
            for column in columns:
                day = entry.values.get(column)
                if day and cast(date, day) > today:
                    run.fail(entry, column, f"That is still to come. Write {today} or earlier.")


def _blamed(job: Entry, parts: dict[str, list[Entry]], field: str) -> tuple[Entry, str]:
    """Return the row and the column that a field of the building came from."""
    match = _PART.fullmatch(field)
    if match and int(match[2]) < len(parts[match[1]]):
        return parts[match[1]][int(match[2])], match[3] or "job"
    return job, field


def _sentence(text: str) -> str:
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def check_firm(run: Run) -> None:
    """Refuse a second firm."""
    entries = list(run.good("firm"))
    for entry in entries[1:]:
        run.fail(entry, "name", "There is one firm. Keep one row.")
    if entries and Firm.objects.exists():
        run.fail(entries[0], "name", "The firm is in the database already. Change it in the admin.")


def check_rates(run: Run) -> None:
    """Refuse rates of work that no phase reads."""
    for entry in list(run.good("rates")):
        if entry.values["code"] not in STARTER_RATES:
            run.fail(entry, "code", f"No such rate. Write one of {', '.join(STARTER_RATES)}.")


def refuse_parts_of_stored_jobs(run: Run) -> None:
    """Refuse doors and lean-tos of a job that is stored: they are one building."""
    for kind in ("openings", "lean_tos"):
        for entry in list(run.good(kind)):
            if cast(Job, entry.values["job"]).pk is not None:
                message = "The job is in the database already. Change its building in the admin."
                run.fail(entry, "job", message)


def refuse_existing(run: Run, table: Table) -> None:
    """Refuse rows that the database has already, with one query for the file."""
    if not table.key or table.kind in ("firm", *PHASES_KNOWN_LATER):
        return  # checked elsewhere: the first by its own rule, the others once phases are known
    keys = {id(entry): entry.key() for entry in run.good(table.kind)}
    paths = [table.column(name).path for name in table.key]
    firsts = {key[0] for key in keys.values() if key}
    found = table.model._default_manager.filter(**{f"{paths[0]}__in": firsts})
    existing = {_no_blanks(row) for row in found.values_list(*paths)} if firsts else set()
    for entry in list(run.good(table.kind)):
        if keys[id(entry)] in existing:
            message = "Already in the database. Take the row out; loading changes nothing there."
            run.fail(entry, table.key[0], message)


def make_room_for_deliveries(run: Run) -> None:
    """
    Delete deliveries about which nothing is known, where a row now tells more.

    Such a row is written for everything that a new job waits for.
    """
    named = {cast(Job, entry.values["job"]).pk for entry in run.good("deliveries")} - {None}
    told = {entry.key() for entry in run.good("deliveries")}
    nothing_known = Delivery.objects.filter(
        job__in=named, supplier="", quantity="", ordered_on=None, promised_on=None, arrived_on=None
    ).select_related("job")
    replaced = [row.pk for row in nothing_known if (row.job.number, row.item) in told]
    Delivery.objects.filter(pk__in=replaced).delete()


def make_room_for_rules(run: Run) -> None:
    """Delete starter rules and lead times that nobody has touched, where a row now tells more."""
    states = {entry.values["state"] for entry in run.good("locate_rules")}
    for rule in LocateRule.objects.filter(state__in=states, checked_on=None):
        if rule.rule() == STARTER_RULES.get(rule.state):
            rule.delete()
    told = {entry.key() for entry in run.good("lead_times")}
    for row in LeadTime.objects.filter(checked_on=None) if told else ():
        key = _no_blanks((row.item, row.supplier, row.post_kind, row.over_span_ft))
        if key in told and row.lead_time() in STARTER_LEAD_TIMES:
            row.delete()


def _no_blanks(row: tuple[Any, ...]) -> tuple[Any, ...]:
    """Return a key as a file tells it: what is empty there is nothing."""
    return tuple(None if value == "" else value for value in row)


def check_constraints(run: Run, kind: str) -> bool:
    """Note each row that a check constraint refuses and return whether there was one."""
    table = TABLES[kind]
    every = table.model._meta.constraints
    constraints = [one for one in every if isinstance(one, models.CheckConstraint)]
    found = False
    for entry in list(run.good(kind)):
        for constraint in constraints:
            instance = entry.instance
            if instance is None:
                break
            try:
                constraint.validate(table.model, instance)
            except ValidationError as error:
                column = table.blamed.get(constraint.name, table.columns[0].name)
                run.fail(entry, column, " ".join(error.messages))
                found = True
    return found
