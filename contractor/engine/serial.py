"""Serial schedule generation: activities one by one, each into the first gap that holds it.

This is the inner loop of every search, so it deals in plain lists and records only what the
explanation cannot work out afterwards. `decode` turns its result into a `Schedule`.
"""

from collections.abc import Mapping, Sequence
from heapq import heapify, heappop, heappush

from contractor.engine.dates import UNPLANNED, Blocker, Dates
from contractor.engine.fit import Fit, first_fit, may_finish_by
from contractor.engine.prepared import FROZEN, OPEN, PINNED, UNDER_WAY, FitMode, Prepared
from contractor.engine.tighten import tighten
from contractor.engine.worktime import HorizonExceeded


def run_serial(
    prepared: Prepared,
    order: Sequence[int],
    *,
    crew_choice: Mapping[int, int] | None = None,
    begins: Mapping[int, int] | None = None,
    right_shift: bool = False,
    in_turn: bool = True,
) -> Dates:
    """Return dates for all activities, taken by rank and then in `order` as leaders allow.

    `order` names every activity once. `crew_choice` names a crew by activity, used where it has a
    mode. `begins` holds the open work of a job back until a slot. With `right_shift` what was
    announced keeps its crew, never starts earlier, and keeps its order on the crew; without
    `in_turn` it may be overtaken while it waits.
    Raises HorizonExceeded when something does not fit on the axis.
    """
    return Run(prepared, crew_choice or {}, begins or {}, right_shift, in_turn).place_all(order)


class Run:
    """One pass. Holds the occupation of all resources while it lasts."""

    def __init__(
        self,
        prepared: Prepared,
        crew_choice: Mapping[int, int],
        begins: Mapping[int, int],
        right_shift: bool,
        in_turn: bool = True,
    ) -> None:
        size = prepared.size
        self.prepared = prepared
        self.crew_choice = crew_choice
        self.right_shift = right_shift
        self.in_turn = in_turn
        self.timelines = prepared.timelines()
        self.job_crews: list[list[int]] = [
            [] if crew is None else [crew] for crew in prepared.preferred_crew_by_job
        ]
        self.last_on_crew: dict[int, int] = {}
        self.left_of_job = [len(members) for members in prepared.members_by_job]
        self.dates = Dates(
            mode=[UNPLANNED] * size,
            crew=[None] * size,
            start=[0] * size,
            finish=[0] * size,
            blocker=[None] * size,
            held_by={},
            broken_pins=[],
            begins=begins,
            held_back_for=[None] * size,
        )

    def place_all(self, order: Sequence[int]) -> Dates:
        prepared = self.prepared
        position = _positions(order, prepared.size)
        missing = [len(row) for row in prepared.leaders]
        keys = self._shift_keys() if self.right_shift else _rank_keys(prepared)
        ready = [(*keys[i], position[i], i) for i in range(prepared.size) if missing[i] == 0]
        heapify(ready)
        while ready:
            activity = heappop(ready)[3]
            self.place(activity)
            job = prepared.job[activity]
            self.left_of_job[job] -= 1
            if self.left_of_job[job] == 0 and not prepared.begun_by_job[job]:
                tighten(prepared, self.dates, self.timelines, job)
            for after in prepared.followers[activity]:
                missing[after] -= 1
                if missing[after] == 0:
                    heappush(ready, (*keys[after], position[after], after))
        return self.dates

    def _shift_keys(self) -> list[tuple[int, int]]:
        """Return keys that take activities by the start that people have been told."""
        prepared = self.prepared
        keys = []
        for i in range(prepared.size):
            told = prepared.wanted_start[i]
            if told is None:
                told = prepared.announced_start[i]
            under_way = prepared.rank[i] == UNDER_WAY
            keys.append((0 if under_way else 1, prepared.axis_slots if told is None else told))
        for i in reversed(prepared.topological):
            for after in prepared.followers[i]:
                keys[i] = min(keys[i], (1, keys[after][1]))
        return keys

    def place(self, activity: int) -> None:
        """Give the activity its dates; its leaders have theirs."""
        earliest = self._earliest(activity)
        if earliest is None:
            return
        fit = self._choose(activity, earliest)
        if fit is None:
            self.dates.held_by[activity] = activity
            return
        self._book(activity, fit)

    def _earliest(self, activity: int) -> int | None:
        """Return the first slot that links and releases leave, or None where a leader is lost."""
        prepared, dates = self.prepared, self.dates
        earliest = prepared.earliest[activity]
        if prepared.may_wait[activity]:
            earliest = max(earliest, dates.begins.get(prepared.job[activity], 0))
        for before, start_to_start, table, _ in prepared.leaders[activity]:
            if dates.mode[before] == UNPLANNED:
                dates.held_by[activity] = before
                return None
            slot = dates.start[before] if start_to_start else dates.finish[before]
            if table is not None:
                slot = table[slot]
            if slot > earliest:
                earliest = slot
        if earliest >= prepared.axis_slots:
            raise HorizonExceeded(f"activity {activity} is held until the axis ends or longer")
        return earliest

    def _choose(self, activity: int, earliest: int) -> Fit | None:
        prepared = self.prepared
        rank = prepared.rank[activity]
        start, crew = prepared.wanted_start[activity], prepared.wanted_crew[activity]
        if self.right_shift and rank >= FROZEN:
            start, crew = prepared.announced_start[activity], prepared.announced_crew[activity]
        if start is not None and start > earliest:
            earliest = start
        modes = prepared.modes[activity]
        if rank == UNDER_WAY:
            going_on = [mode for mode in modes if mode.crew == crew] if crew is not None else []
            return self._best(activity, (going_on or modes)[:1], earliest)
        if crew is None:
            crew = self.crew_choice.get(activity)
        told = self.right_shift and prepared.announced_start[activity] is not None
        if crew is not None or told:
            # What was told without a crew stays with others, where others can do it.
            chosen = [mode for mode in modes if mode.crew == crew]
            if fit := self._best(activity, chosen, earliest):
                return fit
        return self._best(activity, modes, earliest)

    def _best(self, activity: int, modes: Sequence[FitMode], earliest: int) -> Fit | None:
        """Return the fit that finishes first; the job's own crew yields to a clear gain only.

        A mode that runs off the axis is passed over where another one fits.
        """
        prepared = self.prepared
        own_crew = self._own_crew(activity, modes)
        told = prepared.announced_start[activity] is not None
        first = own_crew is None and not told and not self.job_crews[prepared.job[activity]]
        own: Fit | None = None
        best: Fit | None = None
        found: list[Fit] = []
        latest = prepared.axis_slots
        too_long: HorizonExceeded | None = None
        for mode in _own_crew_first(modes, own_crew):
            is_own = mode.crew is not None and mode.crew == own_crew
            # Another crew must gain much; the own crew with another machine need not.
            if not may_finish_by(mode, earliest, own.finish if is_own and own else latest):
                continue
            try:
                fit = self._fit(activity, mode, earliest)
            except HorizonExceeded as exceeded:
                too_long = exceeded
                continue
            if fit is None:
                continue
            if first:
                found.append(fit)
            elif is_own:
                if own is None or fit < own:
                    own = fit
                    latest = fit.finish - max(prepared.change_crew_slots, 1)
            elif fit.finish <= latest and (best is None or fit < best):
                best = fit
                latest = fit.finish
        if not (own or best or found) and too_long is not None:
            raise too_long
        return self._fit_to_stay(activity, found) if found else best or own

    def _own_crew(self, activity: int, modes: Sequence[FitMode]) -> int | None:
        """Return who should do it: the crew told, else the first on the job that can."""
        told = self.prepared.announced_crew[activity]
        if told is not None:
            return told
        able = {mode.crew for mode in modes}
        return next((c for c in self.job_crews[self.prepared.job[activity]] if c in able), None)

    def _fit_to_stay(self, activity: int, found: Sequence[Fit]) -> Fit:
        """Return the fit of the crew that can do most of the job, unless it comes much later."""
        prepared = self.prepared
        coverage = prepared.coverage_by_job[prepared.job[activity]]
        latest = min(found).finish + prepared.change_crew_slots
        return min(
            (fit for fit in found if fit.finish <= latest),
            key=lambda fit: (0 if fit.crew is None else -coverage[fit.crew], fit[:3]),
        )

    def _fit(self, activity: int, mode: FitMode, earliest: int) -> Fit | None:
        """Return where `mode` fits; in a right shift not ahead of what was announced before it."""
        blocker = None
        if (
            mode.work
            and mode.crew is not None
            and (self.prepared.announced_start[activity] is not None)
        ):
            last = self.last_on_crew.get(mode.crew)
            if last is not None and self.dates.start[last] > earliest:
                earliest = self.dates.start[last]
                blocker = Blocker(mode.crew, last, earliest)
        return first_fit(mode, earliest, self.prepared.windows[activity], self.timelines, blocker)

    def _book(self, activity: int, fit: Fit) -> None:
        prepared, dates = self.prepared, self.dates
        finish, start, index, crew, blocker = fit
        dates.mode[activity] = index
        dates.crew[activity] = crew
        dates.start[activity] = start
        dates.finish[activity] = finish
        dates.blocker[activity] = blocker
        for resource, units in prepared.modes[activity][index].uses:
            self.timelines[resource].occupy(start, finish, units, activity)
        if crew is not None:
            job = prepared.job[activity]
            if crew not in self.job_crews[job]:
                self.job_crews[job].append(crew)
            told = prepared.announced_start[activity] is not None
            if self.right_shift and self.in_turn and told and finish > start:
                self.last_on_crew[crew] = activity
        if prepared.rank[activity] == PINNED:
            pinned_crew = prepared.wanted_crew[activity]
            if start != prepared.wanted_start[activity] or pinned_crew not in (None, crew):
                dates.broken_pins.append(activity)


def _own_crew_first(modes: Sequence[FitMode], own_crew: int | None) -> Sequence[FitMode]:
    if own_crew is None or len(modes) < 2:
        return modes
    return sorted(modes, key=lambda mode: mode.crew != own_crew)


def _rank_keys(prepared: Prepared) -> list[tuple[int, int]]:
    """Return keys that take fixed activities first, in the order of the starts they want."""
    keys = []
    for i in range(prepared.size):
        rank = prepared.rank[i]
        wanted = prepared.earliest[i] if rank == UNDER_WAY else prepared.wanted_start[i]
        keys.append((rank, wanted if rank < OPEN and wanted is not None else 0))
    return keys


def _positions(order: Sequence[int], size: int) -> list[int]:
    position = [-1] * size
    for place, activity in enumerate(order):
        if not 0 <= activity < size:
            raise ValueError(f"order: {activity} is not an activity from 0 to {size - 1}")
        if position[activity] >= 0:
            raise ValueError(f"order: activity {activity} is named twice")
        position[activity] = place
    if len(order) != size:
        raise ValueError(f"order: activity {position.index(-1)} is not named")
    return position
