"""More to work with never costs more; the same facts give the same plan; nothing gets lost."""

from dataclasses import replace
from datetime import datetime, timedelta

from hypothesis import HealthCheck, assume, event, given, settings
from hypothesis import strategies as st

from contractor.engine.check import check
from contractor.engine.decode import decode
from contractor.engine.improve import IterationStop
from contractor.engine.objective import objective
from contractor.engine.planner import plan
from contractor.engine.problem import Activity, Mode, Problem, Resource
from tests.reference.engine_problems import CLOSED, WEEKLY_HOURS, ZONE, announced, draw_problem

STOP = IterationStop(20)
DUST = 1e-6
RELAXED = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
problems = st.randoms(use_true_random=False).map(draw_problem)


def without_sites(problem: Problem) -> Problem:
    """Return the problem with crews as machines, and all starts free to move.

    Then nothing is paid for open sites and visits, and many plans are proven optimal.
    """

    def by_machines(row: Activity) -> Activity:
        modes = tuple(
            replace(m, crew=None, machines=m.machines if m.crew is None else (*m.machines, m.crew))
            for m in row.modes
        )
        return replace(row, modes=modes, pin=None, announced=None, under_way=False)

    rows = tuple(by_machines(row) for row in problem.activities)
    links = tuple(replace(link, longest_slots=None) for link in problem.links)
    jobs = tuple(replace(job, preferred_crew=None) for job in problem.jobs)
    return replace(problem, activities=rows, links=links, jobs=jobs)


any_problems = problems | problems.map(without_sites)


def costs_no_more(relaxed: Problem, than: Problem) -> None:
    """Fail where a plan of `than` undercuts what is proven for `relaxed`."""
    least, found = plan(relaxed, stop=STOP), plan(than, stop=STOP)
    assume(least.optimal)
    event(f"the plan it is compared with is proven: {found.optimal}")
    assert least.objective.total <= found.objective.total + DUST


@RELAXED
@given(problems.map(without_sites), st.data())
def test_one_more_crew_never_makes_a_proven_optimum_worse(problem, data):
    crew = len(problem.resources)
    quick = data.draw(st.integers(1, 20))

    def by_more(row: Activity) -> Activity:
        return replace(row, modes=(*row.modes, Mode(None, quick, row.modes[0].calendar, (crew,))))

    more = replace(
        problem,
        resources=(*problem.resources, Resource("more", "One more")),
        activities=tuple(by_more(row) for row in problem.activities),
    )

    costs_no_more(more, problem)


@RELAXED
@given(problems.map(without_sites), st.data())
def test_one_more_unit_never_makes_a_proven_optimum_worse(problem, data):
    rows = list(problem.resources)
    at = data.draw(st.integers(0, len(rows) - 1))
    rows[at] = replace(rows[at], capacity=rows[at].capacity + 1)

    costs_no_more(replace(problem, resources=tuple(rows)), problem)


@RELAXED
@given(any_problems, st.data())
def test_one_job_less_never_makes_a_proven_optimum_worse(problem, data):
    assume(len(problem.jobs) > 1)

    costs_no_more(without_job(problem, data.draw(st.integers(0, len(problem.jobs) - 1))), problem)


@RELAXED
@given(problems.map(without_sites), st.data())
def test_one_link_less_never_makes_a_proven_optimum_worse(problem, data):
    assume(problem.links)
    at = data.draw(st.integers(0, len(problem.links) - 1))

    costs_no_more(replace(problem, links=problem.links[:at] + problem.links[at + 1 :]), problem)


@RELAXED
@given(problems.map(without_sites), st.data())
def test_an_earlier_release_never_makes_a_proven_optimum_worse(problem, data):
    released = [i for i, row in enumerate(problem.activities) if row.release]
    assume(released)
    rows = list(problem.activities)
    at = data.draw(st.sampled_from(released))
    rows[at] = replace(rows[at], release=data.draw(st.integers(0, rows[at].release)))

    costs_no_more(replace(problem, activities=tuple(rows)), problem)


@RELAXED
@given(problems, st.integers(0, 3))
def test_the_same_seed_and_iterations_give_the_same_plan(problem, seed):
    found = plan(problem, stop=STOP, seed=seed)

    # A copy is prepared afresh, so nothing can be carried over from the first time.
    again = plan(replace(problem), stop=STOP, seed=seed)

    assert again.schedule == found.schedule
    assert again.objective == found.objective


@RELAXED
@given(problems, st.integers(0, 3))
def test_no_plan_is_worse_than_the_first_one_or_than_staying_put(problem, seed):
    crews = {
        i: row.announced.crew
        for i, row in enumerate(problem.activities)
        if row.announced and row.announced.crew is not None
    }
    by_told = sorted(range(len(problem.activities)), key=lambda i: told_start(problem, i))
    stay = decode(problem, by_told, crew_choice=crews, right_shift=True)

    found = plan(problem, stop=STOP, seed=seed)

    assert check(problem, found.schedule) == ()
    assert found.objective.total <= plan(problem).objective.total + DUST
    assert found.objective.total <= objective(problem, stay).total + DUST


@RELAXED
@given(problems)
def test_a_plan_that_was_told_costs_no_more_when_it_is_made_again(problem):
    first = plan(problem)
    told = announced(problem, first.schedule)

    again = plan(told, stop=STOP)

    assert again.objective.total <= objective(told, first.schedule).total + DUST


@RELAXED
@given(problems, st.data())
def test_what_nobody_can_do_is_listed_with_what_follows_it_and_nothing_else(problem, data):
    rows = list(problem.activities)
    lost = data.draw(st.integers(0, len(rows) - 1))
    rows[lost] = replace(rows[lost], modes=(), under_way=False, no_mode_why="no crew has a lift")
    whole = replace(problem, activities=tuple(rows))

    schedule = plan(whole, stop=STOP).schedule

    reasons = {entry.activity: entry.reason for entry in schedule.unplanned}
    assert set(reasons) == followers(whole, lost)
    assert reasons.pop(lost) == "no crew has a lift"
    assert all(reason.startswith("waits for ") for reason in reasons.values())
    assert check(whole, schedule) == ()


@RELAXED
@given(problems)
def test_work_lies_in_local_working_hours_over_changes_of_clocks_and_the_turn_of_the_year(problem):
    for placed in filter(None, plan(problem, stop=STOP).schedule.placed):
        mode = problem.activities[placed.activity].modes[placed.mode]
        begins, ends = (
            problem.axis.instant(slot).astimezone(ZONE) for slot in (placed.start, placed.finish)
        )

        assert worked_minutes(mode.calendar, begins, ends) == 15 * mode.work_slots
        assert worked_minutes(mode.calendar, begins, begins + timedelta(minutes=15)) == 15


def worked_minutes(calendar: int, begins: datetime, ends: datetime) -> int:
    """Return the minutes of `calendar` between two local times, day by day on the local clock."""
    minutes = 0.0
    day = begins.date()
    while day <= ends.date():
        hours = () if day in CLOSED[calendar] else WEEKLY_HOURS[calendar].get(day.weekday(), ())
        for opens, closes in hours:
            first = max(begins, datetime.combine(day, opens, ZONE))
            last = min(ends, datetime.combine(day, closes, ZONE))
            minutes += max(0.0, (last - first).total_seconds() / 60)
        day += timedelta(days=1)
    return int(minutes)


def told_start(problem: Problem, i: int) -> int:
    told = problem.activities[i].announced
    return problem.axis.slots if told is None else told.start


def without_job(problem: Problem, job: int) -> Problem:
    """Return the problem with a job, its activities and their links left out."""
    kept = [i for i, row in enumerate(problem.activities) if row.job != job]
    new = {old: at for at, old in enumerate(kept)}
    rows = (problem.activities[i] for i in kept)
    return replace(
        problem,
        activities=tuple(replace(row, job=row.job - (row.job > job)) for row in rows),
        links=tuple(
            replace(link, before=new[link.before], after=new[link.after])
            for link in problem.links
            if link.before in new and link.after in new
        ),
        jobs=problem.jobs[:job] + problem.jobs[job + 1 :],
    )


def followers(problem: Problem, i: int) -> set[int]:
    """Return `i` and all that waits for it, at once or later; links lead to higher indexes."""
    found = {i}
    for link in sorted(problem.links, key=lambda link: link.after):
        if link.before in found and not problem.activities[link.after].under_way:
            found.add(link.after)
    return found
