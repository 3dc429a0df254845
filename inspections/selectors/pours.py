"""What is known of concrete: how strong a pour is, when each phase may load it, what cold asks."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np
from django.db.models import Prefetch, Q
from django.utils import timezone

from contractor.trade.cold_weather import ColdPour, cold_cautions, section_of
from contractor.trade.cure import PROTECTED_DEGC, CureClock, maturity_degc_hours
from contractor.trade.cure_temps import TempReading, first_known, measured_degc
from contractor.trade.errors import SpecError
from contractor.trade.phases import CURE_LINKS, job_network
from contractor.trade.units import degc_to_degf, degf_to_degc
from inspections.models import POURED_PHASES, Pour, PourReading, StrengthNeed
from inspections.selectors.cure_temps import HOUR, SUBGRADE_DEPTH_FT, Climate, air_degc, ground_degc
from jobs.models import Job, Phase
from jobs.selectors.buildings import building_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from contractor.trade.building import Building
    from contractor.trade.phases import CureNeed, Follows

# A pour that has not reached its strength within a year never will.
CLOCK_HOURS = 366 * 24
# Cold is looked at for two weeks: no protection lasts longer.
COLD_HOURS = 14 * 24
# Concrete a plan expects and nobody has placed yet: an ordinary mix; common practice, no source.
EXPECTED_MIX_PSI = 3000
_BURIED = {before for (before, _), need in CURE_LINKS.items() if need.buried}


@dataclass(frozen=True, slots=True)
class NeededStrength:
    """What a phase waits for, and whose figure it is; "" is the starter value."""

    need: CureNeed
    stated_by: str = ""

    @property
    def share_words(self) -> str:
        """Return the share in words, with whose figure it is."""
        whose = f" (by {self.stated_by})" if self.stated_by else ""
        return f"{self.need.strength_share:.0%} of 28-day strength{whose}"


class NeededStrengths:
    """The strengths that are asked: the job's own figure, else the firm's, else the starter's."""

    def __init__(self, rows: Iterable[StrengthNeed]) -> None:
        self._rows = {(row.job_id, row.poured_phase, row.following_phase): row for row in rows}

    def of(self, job: Job, follows: Follows) -> NeededStrength:
        """Return what a link of a job waits for; the link must have a cure."""
        assert follows.cure is not None
        for job_id in (job.pk, None):
            row = self._rows.get((job_id, follows.before, follows.after))
            if row is not None:
                minimum = row.minimum_hours
                need = replace(
                    follows.cure,
                    strength_share=row.strength_percent / 100,
                    minimum_hours=follows.cure.minimum_hours if minimum is None else minimum,
                )
                return NeededStrength(need, row.stated_by)
        return NeededStrength(follows.cure)


def strength_needs(jobs: Q) -> tuple[StrengthNeed, ...]:
    """Return the figures entered for the firm and for the jobs asked for, in one query."""
    return tuple(StrengthNeed.objects.filter(Q(job=None) | jobs).order_by("id"))


class PourClock:
    """
    The strength of one pour, counted from the moment it was placed.

    Temperatures lie on whole hours of the clock, from the one in which it was placed; so of two
    pours the later is never ready sooner. Hours are told from placing on.
    """

    def __init__(self, pour: Pour, *, climate: Climate, zone: ZoneInfo) -> None:
        self.pour = pour
        self.first_hour = pour.poured_at.replace(minute=0, second=0, microsecond=0)
        self._placed = (pour.poured_at - self.first_hour) / HOUR
        self._curing = pour.cured.lower()
        readings = list(pour.readings.all()) if pour.pk else []
        first = self.first_hour
        self.air_degc = first_known(
            self._measured(readings, PourReading.Of.AIR),
            air_degc(climate, zone=zone, first_hour=first, hours=CLOCK_HOURS),
        )
        around = (
            ground_degc(climate, zone=zone, first_hour=first, hours=CLOCK_HOURS)
            if pour.phase.code in _BURIED
            else self._protected(self.air_degc)
        )
        measured = self._measured(readings, PourReading.Of.CONCRETE)
        self.is_measured: NDArray[np.bool_] = ~np.isnan(measured)
        self.temps_degc = first_known(measured, around)
        self._clock = CureClock(self.temps_degc)

    def ready_hours(self, needed: NeededStrength) -> float | None:
        """Return the hours until the strength is there; None where it is not within a year."""
        need = needed.need
        ready = self._clock.ready_hour(
            self._placed,
            need.strength_share,
            self.pour.cement,
            need.minimum_hours,
            curing=self._curing,
        )
        return None if ready is None else ready - self._placed

    def ready_at(self, needed: NeededStrength) -> datetime | None:
        """Return when the strength is there; None where it is not within a year."""
        hours = self.ready_hours(needed)
        return None if hours is None else self.pour.poured_at + hours * HOUR

    def share(self, hours: float) -> float:
        """Return the share of 28-day strength so many hours after placing."""
        at = self._placed + hours
        return self._clock.share(at, self.pour.cement, curing=self._curing, pour_hour=self._placed)

    def hours_at(self, moment: datetime) -> float:
        """Return the hours from placing to a moment, within those that the clock knows."""
        return min(max(0.0, (moment - self.pour.poured_at) / HOUR), CLOCK_HOURS - 1.0)

    def equivalent_hours(self, hours: float) -> float:
        """Return the age at 20 °C that has the same strength."""
        return self._clock.age_hours(self._placed + hours) - self._clock.age_hours(self._placed)

    def maturity_degc_hours(self, hours: float) -> float:
        """Return the temperature-time factor so far, in whole hours of the clock, datum 0 °C."""
        temps = self.temps_degc[: int(self._placed + hours)]
        return maturity_degc_hours(temps_degc=temps, step_hours=1.0)

    def mean_degf(self, hours: float) -> float:
        """Return the mean temperature of the concrete from placing to an hour, in °F."""
        temps = self.temps_degc[: max(1, round(self._placed + hours))]
        return float(degc_to_degf(temps.mean()))

    @property
    def measured_until(self) -> datetime | None:
        """Return the moment to which readings of the concrete count; None without any."""
        hours = np.flatnonzero(self.is_measured)
        return self.first_hour + (int(hours[-1]) + 1) * HOUR if hours.size else None

    def cautions(self, building: Building, *, is_planned: bool = False) -> tuple[str, ...]:
        """Return what the cold asks of this pour; nothing where it is warm."""
        section = section_of(self.pour.phase.code, building)
        if section is None:
            return ()
        pour, until = self.pour, self.pour.protected_until
        shares = [self.share(hour - self._placed) for hour in range(1, COLD_HOURS + 1)]
        return cold_cautions(
            ColdPour(
                section=section,
                accelerated=pour.is_accelerated or pour.cement == Pour.Cement.III,
                air_degc=self.air_degc[:COLD_HOURS],
                concrete_degc=self.temps_degc[:COLD_HOURS],
                strength_psi=np.array(shares) * pour.mix_psi,
                placed_degf=pour.placed_degf,
                ground_degf=pour.ground_degf,
                protected_hours=None if until is None or is_planned else self.hours_at(until),
                is_planned=is_planned,
            )
        )

    def _measured(self, readings: Sequence[PourReading], of: PourReading.Of) -> NDArray[np.float64]:
        """Return the hourly readings; concrete as it was placed counts as the first of its own."""
        read = [
            TempReading((row.taken_at - self.first_hour) / HOUR, degf_to_degc(row.temp_degf))
            for row in readings
            if row.of == of
        ]
        placed = self.pour.placed_degf
        if of == PourReading.Of.CONCRETE and placed is not None:
            read.append(TempReading(self._placed, degf_to_degc(placed)))
        return measured_degc(read, hours=CLOCK_HOURS)

    def _protected(self, air_degc: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return what is around open concrete: 50 °F at least for as long as it is protected."""
        until = self.pour.protected_until
        hours = 0 if until is None else int(self._placed + self.hours_at(until))
        kept = air_degc.copy()
        kept[:hours] = np.maximum(kept[:hours], PROTECTED_DEGC)
        return kept


@dataclass(frozen=True, slots=True)
class Gate:
    """A phase that waits for a pour, and when it may begin; None within no year."""

    follows: Follows
    needed: NeededStrength
    ready_at: datetime | None
    ready_hours: float | None
    mean_degf: float | None


def gates_of(
    clock: PourClock, *, job: Job, links: Iterable[Follows], needs: NeededStrengths
) -> tuple[Gate, ...]:
    """Return the phases that wait for a pour, soonest first."""
    gates = []
    for follows in links:
        if follows.before != clock.pour.phase.code or follows.cure is None:
            continue
        needed = needs.of(job, follows)
        hours = clock.ready_hours(needed)
        ready_at = None if hours is None else clock.pour.poured_at + hours * HOUR
        mean = None if hours is None else clock.mean_degf(hours)
        gates.append(Gate(follows, needed, ready_at, hours, mean))
    return tuple(sorted(gates, key=lambda gate: gate.ready_hours or float("inf")))


def gate_words(
    follows: Follows,
    needed: NeededStrength,
    ready_at: datetime,
    mean_degf: float,
    *,
    pour: PourClock | None = None,
) -> str:
    """Return in words what a phase waits for, when it is expected and how warm that is."""
    of = "" if pour is None else f" of the concrete poured {_moment(pour.pour.poured_at)}"
    measured_until = None if pour is None else pour.measured_until
    measured = "" if measured_until is None else f", measured until {_moment(measured_until)}"
    where = " ground" if needed.need.buried and measured_until is None else ""
    return (
        f"{needed.share_words}{of}, expected {_moment(ready_at)} "
        f"at {mean_degf:.0f} °F{where} on average{measured}. {follows.why}"
    )


def _moment(moment: datetime) -> str:
    local = timezone.localtime(moment)
    return f"{local:%a %b} {local.day}, {local:%H:%M}"


@dataclass(frozen=True, slots=True)
class PourStatus:
    """A pour with its clock, what waits for it, and what the cold asks."""

    clock: PourClock
    gates: tuple[Gate, ...]
    cautions: tuple[str, ...]
    is_planned: bool = False

    @property
    def pour(self) -> Pour:
        """Return the pour."""
        return self.clock.pour


def cure_links(building: Building) -> tuple[Follows, ...]:
    """Return the links of a building's network that wait for concrete."""
    network = job_network(building=building, inspections=frozenset())
    return tuple(follows for follows in network.follows if follows.cure is not None)


def is_poured(phase: Phase) -> bool:
    """Return whether all of a phase's concrete is known to be placed; its pours must be loaded."""
    pours = phase.pours.all()
    if phase.status == Phase.Status.DONE:
        return bool(pours)
    return any(not pour.part for pour in pours)


def concrete_of(
    job: Job, *, climate: Climate, ends: Mapping[int, datetime] | None = None
) -> tuple[PourStatus, ...]:
    """
    Return a job's pours as they stand, and with `ends` those that are not recorded or to come.

    `ends` has the planned end of phases by their primary key; a phase that is done ended when it
    was reported. In build order; nothing of a building that cannot be built.
    """
    try:
        building = building_of(job)
    except SpecError:
        return ()
    phases = (
        Phase.objects.filter(job=job, code__in=POURED_PHASES)
        .exclude(status=Phase.Status.DROPPED)
        .prefetch_related(Prefetch("pours", Pour.objects.order_by("poured_at", "id")))
        .prefetch_related("pours__readings")
        .order_by("sequence", "id")
    )
    made: list[Pour] = []
    to_come: list[Pour] = []
    for phase in phases:
        if section_of(phase.code, building) is None:
            continue
        made += phase.pours.all()
        end = phase.done_at or (ends or {}).get(phase.pk)
        if ends is not None and end is not None and not is_poured(phase):
            to_come.append(planned_pour(phase, end, climate=climate))
    return (
        *statuses(made, job=job, building=building, climate=climate),
        *statuses(to_come, job=job, building=building, climate=climate, is_planned=True),
    )


def ready_moments(pour: Pour, *, climate: Climate) -> tuple[datetime | None, ...]:
    """Return when each phase that still waits for a stored pour may begin, as the plan has it."""
    status = status_of(pour, climate=climate)
    if status is None:
        return ()
    still_open = Phase.objects.filter(job=pour.phase.job_id, status=Phase.Status.OPEN)
    codes = set(still_open.values_list("code", flat=True))
    return tuple(gate.ready_at for gate in status.gates if gate.follows.after in codes)


def pours_concrete(phase: Phase) -> bool:
    """Return whether a phase pours concrete into its building; True where that cannot be told."""
    try:
        return section_of(phase.code, building_of(phase.job)) is not None
    except SpecError:
        return True


def status_of(pour: Pour, *, climate: Climate) -> PourStatus | None:
    """Return a stored pour as it stands; None of a building that cannot be built."""
    job = pour.phase.job
    try:
        building = building_of(job)
    except SpecError:
        return None
    return statuses([pour], job=job, building=building, climate=climate)[0]


def statuses(
    pours: Iterable[Pour],
    *,
    job: Job,
    building: Building,
    climate: Climate,
    is_planned: bool = False,
) -> tuple[PourStatus, ...]:
    """Return pours of one job as they stand; phase and readings must be loaded."""
    links = cure_links(building)
    needs = NeededStrengths(strength_needs(Q(job=job)))
    zone = timezone.get_default_timezone()
    rows = []
    for pour in pours:
        clock = PourClock(pour, climate=climate, zone=zone)
        rows.append(
            PourStatus(
                clock=clock,
                gates=gates_of(clock, job=job, links=links, needs=needs),
                cautions=clock.cautions(building, is_planned=is_planned),
                is_planned=is_planned,
            )
        )
    return tuple(rows)


def planned_pour(phase: Phase, poured_at: datetime, *, climate: Climate) -> Pour:
    """
    Return an unsaved pour of an ordinary mix as the plan expects it, for showing it.

    A slab is taken to be protected in the cold until it carries its load, as in the plan.
    """
    is_buried = phase.code in _BURIED
    zone = timezone.get_default_timezone()
    depth = {} if is_buried else {"depth_ft": SUBGRADE_DEPTH_FT}
    ground = ground_degc(climate, zone=zone, first_hour=poured_at, hours=1, **depth)
    return Pour(
        phase=phase,
        poured_at=poured_at,
        mix_psi=EXPECTED_MIX_PSI,
        ground_degf=float(degc_to_degf(ground[0])),
        protected_until=None if is_buried else poured_at + CLOCK_HOURS * HOUR,
    )
