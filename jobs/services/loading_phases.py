"""Rows that belong to a phase: what happened on it, its inspections, and what was reported."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime
from typing import cast

from django.db import IntegrityError, transaction
from django.utils import timezone

from contractor.trade.phase_table import MOST_PARTS, PHASE_TABLE, REWORK, Performer, why_whole
from inspections.models import Inspection, InspectionEvent
from jobs.models import FieldReport, Job, LeftOutWork, Phase
from jobs.services.intake import refresh_phases
from jobs.services.loading_checks import check_constraints
from jobs.services.loading_rows import Entry, Run
from jobs.services.reporting import tell_all_anew

__all__ = [
    "add_parts",
    "add_rework",
    "apply_history",
    "attach_inspections",
    "attach_left_out",
    "attach_visit_record",
    "mark_part_passes",
    "store_reports",
]

Phases = dict[tuple[int, str, int], Phase]
# Shares of a whole are written with a few digits.
SHARES_ROUNDING = 0.001


def add_rework(run: Run) -> None:
    """Make the rework phases that the history names: they come from inspections, not buildings."""
    named = {
        (job.pk, cast(str, entry.values["phase"])): job
        for entry in run.good("history")
        if entry.values["phase"] in REWORK and (job := cast(Job, entry.values["job"])).pk
    }
    known = set(Phase.objects.filter(job__in=named.values()).values_list("job", "code"))
    new = [
        Phase(job=job, code=code, sequence=0)
        for (pk, code), job in named.items()
        if (pk, code) not in known
    ]
    Phase.objects.bulk_create(new)
    for job in {phase.job.pk: phase.job for phase in new}.values():
        refresh_phases(job=job)


def add_parts(run: Run) -> None:
    """Make the parts of the phases that the history tells in parts: no building makes them."""
    told: dict[tuple[int, str], list[Entry]] = defaultdict(list)
    for entry in run.good("history"):
        job = cast(Job, entry.values["job"])
        if job.pk is not None:
            told[job.pk, entry.values["phase"]].append(entry)
    split = {key: rows for key, rows in told.items() if any(map(_is_part, rows))}
    stored: dict[tuple[int, str], list[Phase]] = defaultdict(list)
    live = Phase.objects.filter(job__in={pk for pk, _ in split}).exclude(status="DROPPED")
    for phase in live.select_related("job"):
        stored[phase.job_id, phase.code].append(phase)
    jobs: dict[int, Job] = {}
    for key, rows in split.items():
        if key not in stored:
            continue  # told by what writes the history
        column, fault = _fault_of_parts(rows, stored[key])
        for entry in rows if fault else ():
            run.fail(entry, column, fault)
        if not fault:
            _make_parts(rows, stored[key][0])
            jobs[key[0]] = stored[key][0].job
    for job in jobs.values():
        refresh_phases(job=job)


def _is_part(entry: Entry) -> bool:
    return _part(entry) != 1 or entry.values.get("share_of_whole", 1) != 1


def _part(entry: Entry) -> int:
    return int(entry.values.get("part") or 1)


def _fault_of_parts(rows: Sequence[Entry], stored: Sequence[Phase]) -> tuple[str, str]:
    """Return the column that is wrong with the parts told of a phase, and how; nothing if none."""
    shares = [entry.values.get("share_of_whole", 1) for entry in rows]
    whole = why_whole(stored[0].code)
    if whole:
        return "part", f"It is not done in parts: {whole}. Write one row without a part."
    if sorted(map(_part, rows)) != list(range(1, len(rows) + 1)) or len(rows) > MOST_PARTS:
        return "part", f"Its parts are 1, 2 and so on, each once, at most {MOST_PARTS}."
    if abs(sum(shares) - 1) > SHARES_ROUNDING or min(shares) <= 0:
        return "share_of_whole", f"The shares of its parts make {sum(shares):g}. Let them make 1."
    if len(stored) > 1 or stored[0].status != Phase.Status.OPEN:
        return "part", "It has parts or a history in the database already. Take its rows out."
    return "", ""


def _make_parts(rows: Sequence[Entry], first: Phase) -> None:
    for entry in sorted(rows, key=_part):
        part = _part(entry)
        row = first if part == 1 else Phase(job=first.job, code=first.code, part=part)
        row.sequence, row.parts = first.sequence, len(rows)
        row.share_of_whole = entry.values["share_of_whole"]
        row.save()


def mark_part_passes(run: Run) -> None:
    """Let what an inspection that passed in part holds begin, where no later visit says more."""
    visits = [cast(Inspection, row) for row in run.instances("inspections")]
    latest = {visit.phase_id: visit for visit in sorted(visits, key=lambda v: v.requested_at)}
    part = [pk for pk, visit in latest.items() if visit.status == Inspection.Status.PARTIAL]
    Phase.objects.filter(pk__in=part).exclude(status=Phase.Status.DONE).update(partly_passed=True)


def apply_history(run: Run, *, now: datetime | None) -> None:
    """Write starts, ends, shares and hours to the phases that the rows name."""
    phases = _phases_named(run, "history")
    changed = []
    fields = {"status", "share_done", "share_at"}
    for entry in list(run.good("history")):
        phase = _phase_of(run, entry, phases)
        if phase is None or not _history_is_possible(run, entry, phase, now):
            continue
        for column in entry.table.columns[2:]:
            if column.name in entry.values and column.name not in ("part", "share_of_whole"):
                setattr(phase, column.attname, entry.values[column.name])
                fields.add(column.attname)
        if phase.done_at is not None:
            phase.status, phase.share_done = Phase.Status.DONE, 1.0
        elif phase.started_at is not None:
            phase.status = Phase.Status.UNDER_WAY
            phase.share_at = phase.share_at or now
        changed.append(phase)
    Phase.objects.bulk_update(changed, sorted(fields), batch_size=200)


def attach_inspections(run: Run) -> None:
    """Give each inspection its phase; one that the database has already is an error."""
    phases = _phases_named(run, "inspections")
    existing = set(
        Inspection.objects.filter(phase__in=phases.values()).values_list("phase", "requested_at")
    )
    for entry in list(run.good("inspections")):
        phase = _phase_of(run, entry, phases)
        if phase is None:
            continue
        inspection = cast(Inspection, entry.instance)
        if PHASE_TABLE[phase.code].performer is not Performer.AUTHORITY:
            codes = [k.code for k in PHASE_TABLE.values() if k.performer is Performer.AUTHORITY]
            run.fail(entry, "phase", f"Not an inspection. Write one of {', '.join(codes)}.")
        elif (phase.pk, inspection.requested_at) in existing:
            run.fail(entry, "requested_at", "Already in the database. Take the row out.")
        else:
            inspection.phase = phase


def attach_visit_record(run: Run) -> None:
    """Give each line of a record its visit; a visit that is not there is an error."""
    phases = _phases_named(run, "visit_record")
    visits = {
        (visit.phase_id, visit.requested_at): visit
        for visit in Inspection.objects.filter(phase__in=phases.values())
    }
    existing = set(
        InspectionEvent.objects.filter(inspection__in=visits.values()).values_list(
            "inspection", "number"
        )
    )
    for entry in list(run.good("visit_record")):
        phase = _phase_of(run, entry, phases)
        if phase is None:
            continue
        event = cast(InspectionEvent, entry.instance)
        visit = visits.get((phase.pk, entry.values["requested_at"]))
        if visit is None:
            run.fail(
                entry, "requested_at", "No such visit of the phase. Write one of inspections.csv."
            )
        elif (visit.pk, event.number) in existing:
            run.fail(entry, "number", "Already in the database. Take the row out.")
        else:
            event.inspection = visit


def attach_left_out(run: Run, *, now: datetime | None) -> None:
    """Give each row of work left out its phase, which must be done, and left out once only."""
    phases = _phases_named(run, "left_out")
    existing = set(
        LeftOutWork.objects.filter(phase__in=phases.values()).values_list("phase", flat=True)
    )
    for entry in list(run.good("left_out")):
        phase = _phase_of(run, entry, phases)
        if phase is None:
            continue
        row = cast(LeftOutWork, entry.instance)
        if phase.status != Phase.Status.DONE:
            run.fail(entry, "phase", "This is not done, so it teaches nothing. Take the row out.")
        elif phase.pk in existing:
            run.fail(entry, "phase", "Already in the database. Take the row out.")
        elif _is_after(row.at, now):
            run.fail(entry, "at", "That is still to come. Write a time that has passed.")
        else:
            row.phase = phase


def store_reports(run: Run, *, now: datetime | None) -> None:
    """Store reports as they were received, and tell their phases anew from all of them."""
    phases, reported = _phases_named(run, "reports"), dict[int, Phase]()
    for entry in list(run.good("reports")):
        phase = _phase_of(run, entry, phases)
        if phase is None:
            continue
        report = cast(FieldReport, entry.instance)
        report.phase = reported[phase.pk] = phase
        for name in ("made_at", "happened_at", "received_at"):
            if _is_after(getattr(report, name), now):
                run.fail(entry, name, "That is still to come. Write a time that has passed.")
    before = set(FieldReport.objects.filter(phase__in=reported).values_list("phase", flat=True))
    try:
        with transaction.atomic():
            FieldReport.objects.bulk_create(
                [cast(FieldReport, row) for row in run.instances("reports")], batch_size=500
            )
    except IntegrityError:
        if not check_constraints(run, "reports"):
            raise
        return
    tell_all_anew(phases=reported.values(), reported_before=before, now=now or timezone.now())


def _phases_named(run: Run, kind: str) -> Phases:
    """Return the phases of all jobs that a file names, by job id, code and part, in one query."""
    jobs = {cast(Job, entry.values["job"]).pk for entry in run.good(kind)} - {None}
    phases = Phase.objects.filter(job__in=jobs).exclude(status=Phase.Status.DROPPED)
    return {(phase.job_id, phase.code, phase.part): phase for phase in phases}


def _phase_of(run: Run, entry: Entry, phases: Phases) -> Phase | None:
    job, code = cast(Job, entry.values["job"]), entry.values["phase"]
    if job.pk is None or job.number in run.broken["jobs"]:
        run.give_up(entry)
        return None
    phase = phases.get((job.pk, code, _part(entry)))
    if phase is None and (job.pk, code, 1) in phases:
        run.fail(entry, "part", f"The phase has no part {_part(entry)}. Tell it in history.csv.")
    elif phase is None:
        has = ", ".join(dict.fromkeys(found for pk, found, _ in phases if pk == job.pk)) or "none"
        run.fail(entry, "phase", f"Job {job.number} has no such phase. Its phases are {has}.")
    return phase


def _history_is_possible(run: Run, entry: Entry, phase: Phase, now: datetime | None) -> bool:
    """Tell whether the row may be written to its phase, and note why not."""
    told = cast(Phase, entry.instance)
    if phase.status != Phase.Status.OPEN:
        run.fail(entry, "phase", "It has a history in the database already. Take the row out.")
    elif told.started_at and told.done_at and told.done_at < told.started_at:
        run.fail(entry, "done_at", "The end is before the start. Write a later time.")
    elif told.done_at and "share_done" in entry.values and told.share_done != 1:
        run.fail(entry, "share_done", "The phase is done. Write 1, or leave the cell empty.")
    elif told.share_done and not told.started_at and not told.done_at:
        run.fail(entry, "started_at", "A share is done, so it has begun. Write when.")
    else:
        late = [name for name in ("started_at", "done_at") if _is_after(getattr(told, name), now)]
        for name in late:
            run.fail(entry, name, "That is still to come. Write a time that has passed.")
        return not late
    return False


def _is_after(moment: datetime | None, now: datetime | None) -> bool:
    return moment is not None and now is not None and moment > now
