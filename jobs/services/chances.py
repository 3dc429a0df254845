"""From rows to chances: what may go otherwise in a portfolio, by what the firm has seen so far."""

from __future__ import annotations

import math
from copy import copy
from dataclasses import dataclass, replace
from hashlib import sha256
from typing import TYPE_CHECKING

import numpy as np

from contractor.engine.problem import Wait
from contractor.engine.simulate.chances import ActivityChances, Chances
from contractor.engine.worktime import SLOTS_PER_DAY
from contractor.trade.errors import SpecError
from contractor.trade.phases import PHASE_TABLE, Performer, WaitKind
from inspections.selectors.authority import notice_rule, weekdays
from inspections.selectors.cure_temps import Climates
from inspections.selectors.pours import NeededStrengths
from jobs.selectors.buildings import building_of
from jobs.selectors.drivers import Driver, named
from jobs.selectors.networks import network_of
from jobs.services.notice_tables import notice_table
from jobs.services.people_chances import people_chances
from jobs.services.wait_tables import WaitTables
from jobs.services.weather_chances import WeatherGates

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from contractor.engine.problem import Activity, Problem
    from contractor.engine.schedule import Schedule
    from contractor.engine.worktime import WorkCalendar
    from contractor.trade.phases import JobNetwork
    from inspections.models import Authority
    from inspections.selectors.cure_temps import Climate
    from jobs.models import Delivery, Job, Phase
    from jobs.selectors.history import Experience
    from jobs.services.holds import Hold
    from jobs.services.portfolio import Portfolio

# Of the spread of a phase's hours, what its job and its crew have in common beside what is not
# known of its mean; our own.
JOB_SHARE, CREW_SHARE = 0.2, 0.05
# A permit comes after its expected day once in three, by a week on average; common practice, no
# source.
PERMIT_LATE_CHANCE, PERMIT_LATE_DAYS = 0.33, 7.0
# What failed is put right within a day by the clock; common practice, no source.
REWORK_SLOTS = SLOTS_PER_DAY
# A month's mean temperature is this much above or below its normal (standard deviation, °F; from
# memory). Of three equal parts of a normal distribution, the outer means are 1.09 of it out.
MONTH_SD_DEGF, OUTER_THIRD = 4.0, 1.0908


@dataclass(frozen=True, slots=True, eq=False)
class Odds:
    """
    A problem as simulation takes it, with its chances. Indexes are those of the portfolio.

    Its calendars are those without weather, as days are drawn; limits of an authority's visits a
    day are left out. `late_by` is by activity what its release is late by: supplier or permit.
    """

    problem: Problem
    chances: Chances
    late_by: Mapping[int, str]

    def digest(self) -> str:
        """Return a text that names the chances."""
        digest = sha256(repr(sorted(self.chances.by_activity.items())).encode())
        digest.update(repr(sorted(self.chances.by_resource.items())).encode())
        weather = self.chances.weather
        for gate in weather.gates if weather else ():
            digest.update(gate.lost_chance.data)
        return digest.hexdigest()[:16]


def odds_of(portfolio: Portfolio, schedule: Schedule, experience: Experience) -> Odds:
    """Return what may go otherwise when the crews of `schedule` do their work."""
    made = OddsInMaking(portfolio, schedule, experience)
    problem = replace(
        portfolio.problem,
        calendars=made.calendars(),
        activities=tuple(_without_limit(activity) for activity in portfolio.problem.activities),
        waits=tuple(made.waits),
    )
    return Odds(problem, made.chances(), made.late_by)


class OddsInMaking:
    """The chances of a portfolio, to which those of more jobs can be added."""

    def __init__(self, portfolio: Portfolio, schedule: Schedule, experience: Experience) -> None:
        self.portfolio = portfolio
        self.problem = portfolio.problem
        self.schedule = schedule
        self.experience = experience
        self.today = portfolio.calendars.local(self.problem.now).date()
        self.gates = WeatherGates(portfolio, self.today)
        self.waits = list(self.problem.waits)
        self.again: dict[int, int] = {}
        self.networks = {job.pk: _network(job) for job in portfolio.jobs}
        self.late_by: dict[int, str] = {}
        self.doubts = [0.0]
        self.people = people_chances(portfolio, schedule)
        self.rows: dict[int, ActivityChances] = {}
        self.variants: dict[int, list[NDArray[np.int32]]] = {}
        self._add(first_activity=0, first_link=0)

    def with_more(self, portfolio: Portfolio, schedule: Schedule) -> OddsInMaking:
        """
        Return the chances of a portfolio that has more jobs behind those of this one.

        What is shared by all work of a crew stays what it is by these, so that runs with and
        without the new jobs differ by them alone; with nobody's work here, it is theirs.
        """
        more = copy(self)
        more.portfolio, more.problem, more.schedule = portfolio, portfolio.problem, schedule
        more.gates = self.gates.again()
        # Waits of visits that are asked for again stay behind all others.
        known, added = len(self.problem.waits), len(portfolio.problem.waits)
        more.waits = [*portfolio.problem.waits, *self.waits[known:]]
        by = added - known
        more.again = {authority: index + by for authority, index in self.again.items()}
        more.rows = {i: _asked_again_by(row, by) for i, row in self.rows.items()}
        more.networks = {
            **self.networks,
            **{job.pk: _network(job) for job in portfolio.jobs[len(self.portfolio.jobs) :]},
        }
        more.late_by, more.variants = dict(self.late_by), dict(self.variants)
        more.doubts = [0.0]
        more._add(first_activity=len(self.problem.activities), first_link=len(self.problem.links))
        if len(self.doubts) > 1:
            more.doubts = self.doubts
        return more

    def calendars(self) -> tuple[WorkCalendar, ...]:
        """Return the calendars without weather."""
        clear = self.portfolio.calendars.clear
        return tuple(clear.get(i, calendar) for i, calendar in enumerate(self.problem.calendars))

    def chances(self) -> Chances:
        """Return what varies, and how."""
        return Chances(
            by_activity=self.rows,
            by_resource=self.people,
            weather=self.gates.weather(),
            job_share=JOB_SHARE,
            # What is not known of a mean is wrong for all the work it tells of alike.
            crew_share=CREW_SHARE + sum(self.doubts) / len(self.doubts),
            wait_variants=self.variants,
        )

    def _add(self, *, first_activity: int, first_link: int) -> None:
        for i in range(first_activity, len(self.problem.activities)):
            row = self._activity(i)
            if row is not None:
                self.rows[i] = row
        found = _cure_variants(self.portfolio, self.networks, first_link, known=self.variants)
        self.variants.update(dict(found))

    def _activity(self, i: int) -> ActivityChances | None:
        placed = self.schedule.placed[i]
        if placed is None:
            return None
        phases = self.portfolio.stretches[i].phases
        kind = PHASE_TABLE[phases[-1].code]
        late_chance, late_days = self._lateness(i)
        gate, area = self.gates.of(phases)
        if kind.performer is Performer.AUTHORITY:
            authority = phases[-1].job.permit.authority
            record = self.experience.of_authority(authority.pk)
            return ActivityChances(
                late_chance=late_chance,
                late_days=late_days,
                fail_chance=record.fail_chance,
                absent_chance=record.absent_chance,
                rework_slots=REWORK_SLOTS,
                again_wait=self._again_wait(authority),
            )
        log_mean, log_sd = self._log_factor(i, placed.mode)
        return ActivityChances(
            log_mean=log_mean,
            log_sd=log_sd,
            late_chance=late_chance,
            late_days=late_days,
            gate=gate,
            area=area,
        )

    def _log_factor(self, i: int, mode: int) -> tuple[float, float]:
        """Return mean and standard deviation of the logarithm of actual over planned work."""
        stretch = self.portfolio.stretches[i]
        chosen = self.problem.activities[i].modes[mode]
        crew = None if chosen.crew is None else str(self.portfolio.crew_ids[chosen.crew])
        beliefs = [self.experience.beliefs.of(phase.code, crew) for phase in stretch.phases]
        self.doubts += [belief.doubt for belief in beliefs]
        told = [belief.prediction() for belief in beliefs]
        if len(told) == 1:
            return told[0].mean, told[0].log_sd
        lead = stretch.lead_slots[mode]
        parts = (lead, max(chosen.work_slots - lead, 1))
        return _log_of_sum(parts, [(one.mean, one.log_sd) for one in told])

    def _again_wait(self, authority: Authority) -> int:
        """Return the wait from asking an authority again to its visit."""
        if authority.pk not in self.again:
            calendars = self.portfolio.calendars
            table = notice_table(
                calendars.axis,
                calendars.zone,
                notice_rule(authority),
                weekdays(authority),
                calendars.closed_days(authority),
            )
            self.again[authority.pk] = len(self.waits)
            self.waits.append(Wait(f"again {authority.pk}", table))
        return self.again[authority.pk]

    def _lateness(self, i: int) -> tuple[float, float]:
        """
        Return the chance that an activity's release is late, and by how many days then.

        A delivery that is due before the release is late by less: what is left of an exponential
        delay beyond any moment is as long as the delay itself.
        """
        release = self.problem.activities[i].release
        on_time, days = 1.0, 0.0
        likeliest = 0.0
        for hold, chance, mean_days, whose in self._late_holds(i):
            gap_days = (release - hold.ends) / SLOTS_PER_DAY
            beyond = chance * math.exp(-gap_days / mean_days)
            on_time *= 1 - beyond
            days = max(days, mean_days if beyond > 0.01 else 0.0)
            if beyond > likeliest:
                likeliest, self.late_by[i] = beyond, whose
        return (1 - on_time, days) if days else (0.0, 0.0)

    def _late_holds(self, i: int) -> Iterator[tuple[Hold, float, float, str]]:
        """Yield the holds that may be late, each with its chance, mean days, and whose it is."""
        holds = self.portfolio.holds[i]
        missing = self._missing(self.portfolio.stretches[i].phases)
        for hold in holds:
            if hold.kind == WaitKind.DELIVERY and missing:
                delivery = missing.pop(0)
                record = self.experience.of_supplier(delivery.supplier)
                is_overdue = delivery.promised_on is not None and delivery.promised_on < self.today
                whose = named(Driver.SUPPLIER, delivery.supplier)
                yield hold, 1.0 if is_overdue else record.chance, record.mean_days, whose
            elif hold.kind == WaitKind.PERMIT:
                job = self.portfolio.stretches[i].first.job
                expected_on = job.permit.expected_on
                is_overdue = expected_on is not None and expected_on < self.today
                chance = 1.0 if is_overdue else PERMIT_LATE_CHANCE
                yield hold, chance, PERMIT_LATE_DAYS, named(Driver.WAIT, hold.kind)

    def _missing(self, phases: Sequence[Phase]) -> list[Delivery]:
        """Return what phases still wait for, in the order in which their holds are made."""
        job = phases[0].job
        network = self.networks.get(job.pk)
        if network is None:
            return []
        rows = {row.item: row for row in job.deliveries.all() if not row.is_complete}
        return [
            rows[item]
            for phase in phases
            for item, code in network.deliveries
            if code == phase.code and item in rows
        ]


def _cure_variants(
    portfolio: Portfolio,
    networks: Mapping[int, JobNetwork | None],
    first_link: int,
    *,
    known: Iterable[int],
) -> Iterator[tuple[int, list[NDArray[np.int32]]]]:
    """
    Yield each wait for concrete with its tables in a colder, a usual and a warmer month.

    Of the waits of links from `first_link` on, those that are not `known`.
    """
    work = portfolio.work
    needs, climates = NeededStrengths(work.strength_needs), Climates(work.firm, work.weather)
    tables = WaitTables(calendars=portfolio.calendars)
    seen = set(known)
    links = portfolio.problem.links[first_link:]
    for link, note in zip(links, portfolio.link_notes[first_link:], strict=True):
        if link.wait is None or link.wait in seen or note is None:
            continue
        if note.kind != WaitKind.CURE:
            continue
        seen.add(link.wait)
        before, after = portfolio.stretches[link.before], portfolio.stretches[link.after]
        job = before.first.job
        network = networks.get(job.pk)
        codes = {p.code for p in before.phases}, {p.code for p in after.phases}
        follows = next(
            row
            for row in (network.follows if network else ())
            if row.cure and row.before in codes[0] and row.after in codes[1]
        )
        need, climate = needs.of(job, follows).need, climates.of(job)
        out = MONTH_SD_DEGF * OUTER_THIRD
        found = [
            tables.cure(need, _warmer(climate, degf), lag_hours=follows.lag_hours)
            for degf in (-out, 0.0, out)
        ]
        yield link.wait, [np.asarray(tables.built[index].table) for index in found]


def _warmer(climate: Climate, degf: float) -> Climate:
    """Return a climate whose months are warmer than usual; what is known stays."""
    return replace(
        climate, month_means_degf=tuple(mean + degf for mean in climate.month_means_degf)
    )


def _log_of_sum(parts: Sequence[int], logs: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """
    Return the log-normal factor of a sum of parts, each with its own: by mean and variance.

    The approximation of Fenton (1960) and Wilkinson, from memory.
    """
    means = [part * math.exp(m + s * s / 2) for part, (m, s) in zip(parts, logs, strict=True)]
    pairs = zip(means, logs, strict=True)
    variance = sum(mean**2 * math.expm1(s * s) for mean, (_, s) in pairs)
    mean = sum(means)
    log_variance = math.log1p(variance / mean**2)
    return math.log(mean / sum(parts)) - log_variance / 2, math.sqrt(log_variance)


def _network(job: Job) -> JobNetwork | None:
    """Return a job's network; None for a building that cannot be built as entered."""
    try:
        return network_of(job, building_of(job))
    except SpecError:
        return None


def _asked_again_by(row: ActivityChances, by: int) -> ActivityChances:
    """Return the chances of a visit whose wait, if it is asked for again, is so many further on."""
    if not by or row.again_wait is None:
        return row
    return replace(row, again_wait=row.again_wait + by)


def _without_limit(activity: Activity) -> Activity:
    """Return an activity without an authority's limit of visits a day."""
    # Only visits are done by no crew of ours and yet take something, in each of their ways.
    if not activity.modes or activity.modes[0].crew is not None:
        return activity
    return replace(
        activity,
        modes=tuple(
            replace(mode, machines=()) if mode.crew is None else mode for mode in activity.modes
        ),
    )
