"""A move with the plan that it makes: what follows from it, or the rule that it breaks."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

from django.db import transaction
from django.utils import timezone

from contractor.engine.schedule import Bind
from crews.models import Crew
from jobs.models import Phase
from jobs.services import plan_making
from jobs.services.move_answer import MoveAnswer, MoveRefused
from jobs.services.move_follows import follows
from jobs.services.move_kinds import FreePhase, MovePhase, SplitPhase, phase_of, quarter_after
from jobs.services.move_spans import Spanning, SwapCrews
from jobs.services.move_split import JoinParts, SplitAhead
from jobs.services.move_touch import Touch, crew_of, label
from jobs.services.pinning import broken_pin_of, stopped_by_weather, why_broken
from jobs.services.plan_rows import SAME_VISIT
from jobs.services.work_at_hand import AtHand

if TYPE_CHECKING:
    from contractor.engine.schedule import BrokenPin, Placed
    from jobs.services.move_follows import Hand
    from jobs.services.move_kinds import Move
    from jobs.services.plan_around import Place
    from jobs.services.plan_basis import Basis
    from jobs.services.plan_making import Proposal

# So many working days on, of the next so many, a move that breaks a rule is tried again for a date
# that works: each takes a plan. Our own.
WORKDAYS_TRIED = 5
DAYS_LOOKED_AT = 14
# How often a phase is tried elsewhere for the same: each time where the plan put it. Our own.
PLACES_TRIED = 6


@dataclass(frozen=True, slots=True)
class Tried:
    """A move that keeps all rules, written but not committed, with its plan and its answer."""

    proposal: Proposal
    answer: MoveAnswer
    touch: Touch
    hand: Hand


def planned(move: Move, touch: Touch, at_hand: AtHand, *, version: str) -> Tried:
    """
    Return a move with its plan, after writing it; `at_hand` is as it was before.

    Raises
    ------
    MoveRefused
        With the rule that it breaks, and of a phase with the nearest start that works.
    """
    hand = at_hand.hand
    notes = move.write(touch)
    if isinstance(move, MovePhase):
        proposal = _with_phase(move, touch, at_hand)
    elif isinstance(move, SplitAhead):
        proposal = _with_rest(move, touch, hand)
    else:
        if isinstance(move, SwapCrews):
            notes += _pin_swapped(move, touch, at_hand)
        # Days taken from a crew push what it does behind them: left in place, one job would go to
        # the first gap, which can be at the end of the season. Work moved by hand pushes nobody.
        proposal = plan_making.repaired(
            _written(move, touch, at_hand),
            keep=hand.places(),
            may_push=isinstance(move, Spanning) and not isinstance(move, SwapCrews),
        )
        refuse_if_broken(proposal, hand, touch)
    answer = follows(proposal, hand, words=move.words(), notes=notes, version=version)
    if isinstance(move, MovePhase | SplitAhead):
        moved = move if isinstance(move, MovePhase) else move.rest()
        place = _place(proposal, moved.phase_id)
        answer = replace(answer, starts_at=None if place is None else place[1])
    return Tried(proposal, answer, touch, hand)


def _written(move: Move, touch: Touch, at_hand: AtHand) -> Basis:
    """Return what plans are made of with a move that is written, reading again what it changed."""
    if isinstance(move, FreePhase | SwapCrews):
        return at_hand.basis.repinned(touch.pins())
    if isinstance(move, SplitPhase | JoinParts):
        return plan_making.read(now=touch.now)
    return plan_making.with_crews_anew(at_hand.basis)


def refuse_if_broken(proposal: Proposal, hand: Hand, touch: Touch) -> None:
    """Refuse a plan that breaks a pin set or kept before, or leaves work without dates."""
    set_here = {row["key"] for row in touch.rows if row["kind"] == Phase._meta.label}
    stretches = proposal.portfolio.stretches
    for entry in proposal.result.schedule.broken_pins:
        phase = stretches[entry.activity].first
        if phase.pk in set_here:
            why = why_broken(proposal.portfolio, entry)
            raise MoveRefused(f"{label(phase)} cannot be there: {why}")
    found = _broken_of_others(proposal, hand, None)
    if found is not None:
        phase, entry = found
        raise MoveRefused(f"{label(phase)} is pinned and would have to move: {entry.reason}")
    _refuse_if_left_out(proposal, hand)


def _refuse_if_left_out(proposal: Proposal, hand: Hand) -> None:
    stretches = proposal.portfolio.stretches
    for unplanned in proposal.result.schedule.unplanned:
        phase = stretches[unplanned.activity].first
        if hand.has(phase.pk):
            raise MoveRefused(f"{label(phase)} would have no dates: {unplanned.reason}")


def nearest_of(move: Move, refused: MoveRefused, at_hand: AtHand, *, now: datetime) -> MoveRefused:
    """
    Return a refusal with the nearest later day on which a move of days would work, if any.

    Each day is tried in the transaction that is open, and rolled back.
    """
    if refused.nearest_start_at is not None or refused.remedy or not isinstance(move, Spanning):
        return refused
    for day in _workdays_after(move, now):
        later = move.later(day)
        try:
            with transaction.atomic():
                planned(later, Touch(now=now, by=None), at_hand, version="")
                transaction.set_rollback(True)
        except MoveRefused:
            continue
        begins = first_moment_of(later, now)
        return MoveRefused(refused.rule, nearest_start_at=begins, remedy=refused.remedy)
    return refused


def _workdays_after(move: Spanning, now: datetime) -> list[date]:
    """Return the next days, today the first, on which any crew that a move is about works."""
    crews = Crew.objects.filter(pk__in=move.scope().crews).select_related("work_hours")
    weekdays = {weekday for crew in crews for weekday in crew.work_hours.week()}
    first = max(move.first_day + timedelta(days=1), timezone.localdate(now))
    days = (first + timedelta(days=n) for n in range(DAYS_LOOKED_AT))
    return [day for day in days if day.weekday() in weekdays or not weekdays][:WORKDAYS_TRIED]


def first_moment_of(move: Spanning, now: datetime) -> datetime:
    """Return when a move of days begins."""
    starts_at = getattr(move, "starts_at", None)
    if isinstance(starts_at, datetime):
        return starts_at
    midnight = datetime.combine(
        move.first_day, datetime.min.time(), tzinfo=timezone.get_default_timezone()
    )
    return max(midnight, quarter_after(now))


def _with_phase(move: MovePhase, touch: Touch, at_hand: AtHand) -> Proposal:
    """Return the plan with a phase pinned; with a day alone, at its first moment that works."""
    phase = Phase.objects.select_related("job").get(pk=move.phase_id)
    hand, wanted = at_hand.hand, phase.pinned_start_at
    assert wanted is not None
    if wanted < touch.now:
        rule = f"{timezone.localtime(wanted):%b %-d, %Y, %H:%M} lies in the past"
        raise _nearest_place(move, at_hand, rule, (move.crew_id, quarter_after(touch.now)))
    proposal = _pinned(move, at_hand, (move.crew_id, wanted))
    broken = broken_pin_of(proposal.portfolio, proposal.result.schedule, phase.pk)
    place = _place(proposal, phase.pk)
    if broken and move.starts_at is None and _is_on(place, move):
        assert place is not None
        touch.change(phase, pinned_start_at=place[1])
        proposal = _pinned(move, at_hand, (move.crew_id, place[1]))
        broken = broken_pin_of(proposal.portfolio, proposal.result.schedule, phase.pk)
    if broken:
        rule = stopped_by_weather(proposal.portfolio, phase, wanted)
        place, closing = _place(proposal, phase.pk), None
        if not rule:
            closing, rule = _closing_in(proposal, move, wanted), broken.reason
        if closing is not None:
            # Behind the closing, and not behind all that the crew has there without a pin.
            rule, reopens_at = closing
            place = (move.crew_id, reopens_at)
        holder = _holder(proposal, move, wanted)
        if holder is not None:
            # Behind it, and not behind all that the plan keeps: work without a pin makes way.
            other, ends_at = holder
            rule, place = f"the crew is on {label(other)} then", (move.crew_id, ends_at)
        raise _nearest_place(move, at_hand, rule, place)
    others = _broken_of_others(proposal, hand, phase.pk)
    if others is not None:
        other, entry = others
        rule = f"{label(other)} is pinned and would have to move: {entry.reason}"
        mine = _placed(proposal, phase.pk)
        if mine is not None and _is_in_the_way(proposal, entry, mine):
            rule = f"the crew is on {label(other)} then"
        raise _nearest_place(move, at_hand, rule, _after(proposal, entry, move))
    _refuse_if_left_out(proposal, hand)
    return proposal


def _with_rest(move: SplitAhead, touch: Touch, hand: Hand) -> Proposal:
    """Return the plan with a phase in two parts, the second pinned, after they are written."""
    at_hand, rest = AtHand(hand, plan_making.read(now=touch.now)), move.rest()
    proposal = _with_phase(rest, touch, at_hand)
    for phase_id in (move.phase_id, rest.phase_id):
        if _placed(proposal, phase_id) is None:
            raise MoveRefused(
                f"{label(phase_of(phase_id))} would have no dates",
                remedy="Split it where the whole has dates.",
            )
    return proposal


def _pinned(move: MovePhase, at_hand: AtHand, place: Place) -> Proposal:
    """Return the plan with the phase of a move pinned to a place; nothing is written."""
    basis = at_hand.basis.repinned({move.phase_id: place})
    return plan_making.repaired(basis, keep=at_hand.hand.places())


def _is_on(place: Place | None, move: MovePhase) -> bool:
    """Return whether the plan put a phase on the day and the crew that were asked for."""
    if place is None or timezone.localdate(place[1]) != move.on_day:
        return False
    return move.crew_id is None or place[0] == move.crew_id


def _nearest_place(move: MovePhase, at_hand: AtHand, rule: str, place: Place | None) -> MoveRefused:
    """
    Return a refusal with the nearest place that was tried and works.

    From one place to the next: where the plan puts the phase instead, or behind the pin that it
    would break.
    """
    hand = at_hand.hand
    for _ in range(PLACES_TRIED):
        if place is None:
            break
        crew_id, starts_at = place
        proposal = _pinned(move, at_hand, place)
        schedule = proposal.result.schedule
        if broken_pin_of(proposal.portfolio, schedule, move.phase_id):
            following = _place(proposal, move.phase_id)
            place = None if following == place else following
            continue
        others = _broken_of_others(proposal, hand, move.phase_id)
        if others is None:
            asked = move.crew_id in (None, crew_id)
            name = "" if asked or crew_id is None else crew_of(crew_id).name
            return MoveRefused(rule, starts_at, None if asked else crew_id, name)
        place = _after(proposal, others[1], move)
    return _earlier_place(move, hand, rule)


def _earlier_place(move: MovePhase, hand: Hand, rule: str) -> MoveRefused:
    """Return a refusal with where the phase is, where nothing later works."""
    there = hand.place_of(move.phase_id)
    if there is None or there[1] < hand.now or move.crew_id not in (None, there[0]):
        return MoveRefused(rule, remedy="No later start works; choose another crew or day.")
    return MoveRefused(rule, there[1], remedy="That is where it is now.")


def _broken_of_others(
    proposal: Proposal, hand: Hand, but: int | None
) -> tuple[Phase, BrokenPin] | None:
    """Return the first pin of other work that was kept before and is broken now."""
    for entry in proposal.result.schedule.broken_pins:
        phases = proposal.portfolio.stretches[entry.activity].phases
        if but not in {phase.pk for phase in phases} and hand.keeps_pin(phases[0]):
            return phases[0], entry
    return None


def _is_in_the_way(proposal: Proposal, entry: BrokenPin, mine: Placed) -> bool:
    """Return whether a placed activity takes the crew of a broken pin at its start."""
    activities = proposal.portfolio.problem.activities
    pin = activities[entry.activity].pin
    crew = activities[mine.activity].modes[mine.mode].crew
    return pin is not None and pin.crew == crew and mine.start <= pin.start < mine.finish


def _holder(proposal: Proposal, move: MovePhase, wanted: datetime) -> tuple[Phase, datetime] | None:
    """Return the pinned or begun work that a crew is on at a moment, and when it is done."""
    portfolio, problem = proposal.portfolio, proposal.portfolio.problem
    slot = portfolio.calendars.slot_of(wanted)
    for placed in proposal.result.schedule.placed:
        if placed is None or not placed.start <= slot < placed.finish:
            continue
        activity = problem.activities[placed.activity]
        crew = activity.modes[placed.mode].crew
        stays = activity.under_way or (activity.pin and activity.pin.start == placed.start)
        phase = portfolio.stretches[placed.activity].first
        is_theirs = crew is not None and portfolio.crew_ids[crew] == move.crew_id
        if stays and is_theirs and phase.pk != move.phase_id:
            return phase, problem.axis.instant(placed.finish)
    return None


def _closing_in(
    proposal: Proposal, move: MovePhase, wanted: datetime
) -> tuple[str, datetime] | None:
    """Return the closing that work begun then would stop for too long, and when that is over."""
    portfolio, problem = proposal.portfolio, proposal.portfolio.problem
    placed, slot = _placed(proposal, move.phase_id), portfolio.calendars.slot_of(wanted)
    if placed is None or problem.longest_pause_slots is None:
        return None
    if any(bound.slot > slot for bound in placed.bounds if bound.kind in (Bind.RELEASE, Bind.LINK)):
        return None
    modes = problem.activities[placed.activity].modes
    asked = [mode for mode in modes if portfolio.crew_ids.get(mode.crew or 0) == move.crew_id]
    mode = asked[0] if asked else modes[placed.mode]
    calendar = portfolio.calendars.built[mode.calendar]
    if not calendar.is_working(slot):
        return None
    first = calendar.before[slot]
    worked = calendar.slot_of[first : first + mode.work_slots].tolist()
    for last, reopens in pairwise(worked):
        if reopens - last - 1 > problem.longest_pause_slots:
            day, again = problem.axis.instant(last), problem.axis.instant(reopens)
            words = f"it would not be done when work closes on {timezone.localtime(day):%a %b %-d}"
            return f"{words} until {timezone.localtime(again):%a %b %-d}", again
    return None


def _after(proposal: Proposal, entry: BrokenPin, move: MovePhase) -> Place | None:
    """Return the crew asked for, and when the work would be done whose pin was broken."""
    problem = proposal.portfolio.problem
    activity = problem.activities[entry.activity]
    pin = activity.pin
    if pin is None:
        return None
    modes = [mode for mode in activity.modes if pin.crew in (None, mode.crew)]
    if not modes:
        return None
    ends = proposal.portfolio.calendars.ends(modes[0].calendar, pin.start, modes[0].work_slots)
    if ends >= problem.axis.slots:
        return None
    return move.crew_id, problem.axis.instant(ends)


def _place(proposal: Proposal, phase_id: int) -> Place | None:
    """Return the crew and the start that the plan gives a phase."""
    placed = _placed(proposal, phase_id)
    if placed is None:
        return None
    portfolio = proposal.portfolio
    crew = portfolio.problem.activities[placed.activity].modes[placed.mode].crew
    starts_at = portfolio.problem.axis.instant(placed.start)
    return None if crew is None else portfolio.crew_ids[crew], starts_at


def _placed(proposal: Proposal, phase_id: int) -> Placed | None:
    stretches = proposal.portfolio.stretches
    for placed in proposal.result.schedule.placed:
        if placed is not None and stretches[placed.activity].first.pk == phase_id:
            return placed
    return None


def _pin_swapped(move: SwapCrews, touch: Touch, at_hand: AtHand) -> tuple[str, ...]:
    """Pin what two crews were to begin where it lands on the other one; return what stays."""
    hand = at_hand.hand
    other = {
        move.first_crew_id: move.second_crew_id,
        move.second_crew_id: move.first_crew_id,
    }
    rows = [row for row in hand.begun_within(move.first_day, move.last_day) if row.crew_id in other]
    stays = [row for row in rows if row.phase.status != Phase.Status.OPEN]
    swapped = {
        row.phase_id: row
        for row in rows
        if row.phase.status == Phase.Status.OPEN and row.because != SAME_VISIT
    }
    if not swapped:
        raise MoveRefused("neither crew is to begin anything in these days")
    # Without its old pin, so that it can land on the other crew.
    pinned = [pk for pk, row in swapped.items() if row.phase.pinned_start_at is not None]
    free = at_hand.basis.repinned(dict.fromkeys(pinned))
    wanted = {pk: (other[row.crew_id or 0], row.starts_at) for pk, row in swapped.items()}
    landed = plan_making.landings(free, keep={**hand.places(), **wanted})
    for pk, (crew_id, _) in wanted.items():
        starts_at = landed.get(pk, (None, swapped[pk].starts_at))[1]
        phase = Phase.objects.select_related("job").get(pk=pk)
        touch.change(phase, pinned_start_at=starts_at, pinned_crew_id=crew_id)
    return tuple(f"{label(row.phase)} is under way and stays with {row.crew}" for row in stays)
