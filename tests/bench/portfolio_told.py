"""A portfolio in the middle of its work: a plan has been announced, and some of it is done."""

from collections.abc import Collection
from dataclasses import replace

from contractor.engine.problem import Activity, Announced, Job, Link, Problem
from contractor.engine.schedule import Placed, Schedule
from contractor.engine.worktime import SLOTS_PER_DAY

FREEZE_DAYS = 5
# What a day's move weighs by how near the announced start is, as in docs/planning.md, "The plan".
WEIGHTS = ((7, 1.0), (30, 0.3), (10_000, 0.05))


def told(problem: Problem, schedule: Schedule, *, now: int, done: Collection[int] = ()) -> Problem:
    """Return what is left of `problem` at slot `now`, with `schedule` announced.

    What ends by `now` is done, and so are the activities in `done`, whatever was planned. What has
    begun is under way with the work that is left; all else is announced. A job that has begun keeps
    the crew that began it as its own.
    """
    places = [_must(place) for place in schedule.placed]
    kept = [i for i, p in enumerate(places) if p.finish > now and i not in done]
    index = {i: new for new, i in enumerate(kept)}
    activities = [_left(problem, places[i], now) for i in kept]
    links = []
    for link in problem.links:
        if link.after not in index:
            continue
        if link.before in index:
            links.append(replace(link, before=index[link.before], after=index[link.after]))
            continue
        after = index[link.after]
        frees = _freed(problem, link, min(places[link.before].finish, now))
        activities[after] = replace(
            activities[after], release=max(activities[after].release, frees)
        )
    return replace(
        problem,
        now=now,
        activities=tuple(activities),
        links=tuple(links),
        jobs=_jobs(problem, places, now),
        freeze_until=now + FREEZE_DAYS * SLOTS_PER_DAY,
    )


def moved(problem: Problem, schedule: Schedule, *, least_slots: int = 1) -> int:
    """Return how many announced starts move by `least_slots` or more, or change their crew."""
    count = 0
    for activity, place in zip(problem.activities, schedule.placed, strict=True):
        before = activity.announced
        if before is None or activity.under_way:
            continue
        crew = None if place is None else activity.modes[place.mode].crew
        count += (
            place is None or crew != before.crew or abs(place.start - before.start) >= least_slots
        )
    return count


def must_move(problem: Problem) -> int:
    """Return how many announced starts no plan can keep, for links, releases and pins alone.

    Crews are taken to be free whenever they are wanted, so the true number may be higher.
    """
    leaders: list[list[Link]] = [[] for _ in problem.activities]
    for link in problem.links:
        leaders[link.after].append(link)
    finish: list[int] = []
    count = 0
    for i, activity in enumerate(problem.activities):
        before = activity.announced
        assert before is not None
        freed = [_freed(problem, link, finish[link.before]) for link in leaders[i]]
        pinned = before.start if activity.pin is None else activity.pin.start
        start = max([pinned, activity.release, problem.now, *freed])
        count += start != before.start and not activity.under_way
        mode = next(mode for mode in activity.modes if mode.crew == before.crew)
        finish.append(problem.calendars[mode.calendar].finish(start, mode.work_slots))
    return count


def _left(problem: Problem, place: Placed, now: int) -> Activity:
    activity = problem.activities[place.activity]
    mode = activity.modes[place.mode]
    days_ahead = max(0, place.start - now) / SLOTS_PER_DAY
    weight = next(weight for days, weight in WEIGHTS if days_ahead <= days)
    announced = Announced(mode.crew, place.start, weight)
    if place.start >= now:
        return replace(activity, announced=announced)
    left = max(1, problem.calendars[mode.calendar].work_between(now, place.finish))
    return replace(
        activity,
        announced=announced,
        under_way=True,
        modes=(replace(mode, work_slots=left),),
    )


def _jobs(problem: Problem, places: list[Placed], now: int) -> tuple[Job, ...]:
    began: dict[int, int] = {}
    for place in sorted(places, key=lambda place: place.start):
        activity = problem.activities[place.activity]
        crew = activity.modes[place.mode].crew
        if place.start < now and crew is not None:
            began.setdefault(activity.job, crew)
    return tuple(
        replace(job, begun=j in began, preferred_crew=began.get(j))
        for j, job in enumerate(problem.jobs)
    )


def _freed(problem: Problem, link: Link, finish: int) -> int:
    return finish if link.wait is None else int(problem.waits[link.wait].table[finish])


def _must(place: Placed | None) -> Placed:
    assert place is not None, "the portfolios of the benches have a place for everything"
    return place
