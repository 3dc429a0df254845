"""From draws to rows: quantiles of starts and finishes, the chance to keep a promise, drivers."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

import numpy as np

from contractor.engine.worktime import SLOTS_PER_DAY
from jobs.models import JobForecast, Phase, PhaseForecast, Plan
from jobs.services.plan_rows import PlanRows

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import datetime

    from numpy.typing import NDArray

    from contractor.engine.schedule import Schedule
    from contractor.engine.simulate.simulation import Simulated
    from jobs.models import Booking, Forecast, Job
    from jobs.services.portfolio import Portfolio

    Slots = NDArray[np.int32]

SHARES = {"p10": 0.10, "p50": 0.50, "p80": 0.80, "p90": 0.90}
PERCENTILES = np.arange(1, 100) / 100
# What is kept of a cause are thousandths of a day.
LEAST_DAYS = 0.0005


def quantiles(values: Slots, shares: Sequence[float] | NDArray[np.float64]) -> Slots:
    """Return for each share the least drawn value that is not exceeded at least so often."""
    found = np.quantile(values, shares, method="inverted_cdf")
    return np.asarray(found, dtype=np.int32)


class ForecastRows:
    """Reads the draws of one plan as rows of a forecast."""

    def __init__(self, portfolio: Portfolio, schedule: Schedule, drawn: Simulated) -> None:
        self.portfolio = portfolio
        self.problem = portfolio.problem
        self.schedule = schedule
        self.drawn = drawn
        self._of_job: dict[int, list[int]] = defaultdict(list)
        for i, activity in enumerate(self.problem.activities):
            self._of_job[activity.job].append(i)
        self._why = {entry.activity: entry.reason for entry in schedule.unplanned}

    def jobs(self, forecast: Forecast, drivers: Sequence[Mapping[str, float]]) -> list[JobForecast]:
        """Return an unsaved row for each job with work left."""
        return [
            self._job(forecast, index, job, drivers[index])
            for index, job in enumerate(self.portfolio.jobs)
        ]

    def phases(self, forecast: Forecast) -> list[PhaseForecast]:
        """Return an unsaved row for each phase that has a place in the plan."""
        rows = PlanRows(self.portfolio, self.schedule)
        booked = {booking.phase_id: booking for booking, _ in rows.bookings(Plan())}
        return [
            row
            for i, placed in enumerate(self.schedule.placed)
            if placed is not None
            for row in self._phases(forecast, i, placed.mode, booked)
        ]

    def _job(
        self, forecast: Forecast, index: int, job: Job, drivers: Mapping[str, float]
    ) -> JobForecast:
        row = JobForecast(forecast=forecast, job=job, promised_on=job.promised_on)
        missing = [self._why[i] for i in self._of_job[index] if i in self._why]
        if missing:
            row.no_dates_because = missing[0][:300]
            return row
        if not self._of_job[index]:
            row.no_dates_because = "nothing is left to do"
            return row
        finishes = np.asarray(self.drawn.finishes[self._of_job[index]].max(axis=0))
        begun = self._begun_at(job)
        starts = np.asarray(self.drawn.starts[self._of_job[index]].min(axis=0))
        self._spread(row, "start", starts, known=begun)
        self._spread(row, "finish", finishes)
        row.planned_finish_at = self._moment(
            max(placed.finish for i in self._of_job[index] if (placed := self.schedule.placed[i]))
        )
        due = self.problem.jobs[index].due
        if due is not None:
            row.keep_chance = float((finishes <= due).mean())
            late = -((due - finishes.astype(np.int64)) // SLOTS_PER_DAY)
            row.expected_days_late = round(float(np.maximum(late, 0).mean()), 3)
        after = (quantiles(finishes, PERCENTILES) - self.problem.now) / SLOTS_PER_DAY
        row.finish_days = [round(float(days), 2) for days in after]
        row.drivers = {
            cause: round(days, 3) for cause, days in drivers.items() if days >= LEAST_DAYS
        }
        return row

    def _phases(
        self, forecast: Forecast, i: int, mode: int, booked: Mapping[int, Booking]
    ) -> Iterator[PhaseForecast]:
        starts, finishes = self.drawn.starts[i], self.drawn.finishes[i]
        stretch = self.portfolio.stretches[i]
        edges = [starts, finishes]
        if len(stretch.phases) > 1:
            edges.insert(1, self._between(i, mode, starts, finishes))
        for place, phase in enumerate(stretch.phases):
            booking = booked[phase.pk]
            row = PhaseForecast(
                forecast=forecast,
                phase=phase,
                crew_id=booking.crew_id,
                planned_start_at=booking.starts_at,
                planned_finish_at=booking.ends_at,
            )
            begun = phase.started_at if phase.status == Phase.Status.UNDER_WAY else None
            self._spread(row, "start", edges[place], known=begun)
            self._spread(row, "finish", edges[place + 1])
            yield row

    def _spread(
        self,
        row: JobForecast | PhaseForecast,
        edge: str,
        slots: Slots,
        *,
        known: datetime | None = None,
    ) -> None:
        """Write the quantiles of a start or a finish; a moment that is `known` is all of them."""
        found = quantiles(slots, list(SHARES.values()))
        for name, slot in zip(SHARES, found, strict=True):
            setattr(row, f"{edge}_{name}", known or self._moment(int(slot)))

    def _between(self, i: int, mode: int, starts: Slots, finishes: Slots) -> Slots:
        """Return when the first of two phases ends: its share of the working time of both."""
        chosen = self.problem.activities[i].modes[mode]
        calendar = self.problem.calendars[chosen.calendar]
        share = self.portfolio.stretches[i].lead_slots[mode] / chosen.work_slots
        axis_slots = self.problem.axis.slots
        before = np.asarray(calendar.before)[np.minimum(starts, axis_slots)]
        until = np.asarray(calendar.before)[np.minimum(finishes, axis_slots)]
        worked = np.maximum(np.rint(share * (until - before)).astype(np.int64), 1)
        slots = np.append(np.asarray(calendar.slot_of), axis_slots)
        last = slots[np.minimum(before + worked - 1, len(slots) - 1)] + 1
        return np.asarray(np.clip(last, starts, finishes), dtype=np.int32)

    def _begun_at(self, job: Job) -> datetime | None:
        """Return when work on a job began, as it was told."""
        moments = [
            phase.started_at or phase.done_at
            for phase in job.phases.all()
            if phase.status in (Phase.Status.UNDER_WAY, Phase.Status.DONE)
        ]
        return min((moment for moment in moments if moment), default=None)

    def _moment(self, slot: int) -> datetime | None:
        axis = self.problem.axis
        return axis.instant(slot) if slot <= axis.slots else None
