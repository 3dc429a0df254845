"""The arrays that kernels read say what the problem says."""

import gc
from dataclasses import fields, replace
from weakref import ref

import numpy as np

from contractor.engine.prepared import (
    FROZEN,
    LEADS_TO_FIXED,
    NONE,
    OPEN,
    PINNED,
    UNDER_WAY,
    Layout,
    prepare,
)
from contractor.engine.problem import Announced, Job, Link, Mode, Pin, Resource, Window
from tests.unit.engine.builders import AXIS, activity, calendar_open, day_shifts, problem, wait_of


def row(layout: Layout, name: str, i: int) -> list[int]:
    """Return the row of `i` among rows of different lengths."""
    first = getattr(layout, f"{name}_first")
    return getattr(layout, name)[first[i] : first[i + 1]].tolist()


def test_a_problem_is_laid_out_once_and_a_copy_of_it_anew():
    whole = problem([activity("a")])

    assert prepare(whole) is prepare(whole)
    assert prepare(replace(whole)) is not prepare(whole)


def test_a_layout_does_not_outlive_its_problem():
    whole = problem([activity("a")])
    layout = ref(prepare(whole))

    del whole
    gc.collect()

    assert layout() is None


def test_kernels_find_whole_arrays_of_the_types_they_were_compiled_for():
    layout = prepare(problem([activity("a"), activity("b", job=1)], [(0, 1)]))

    for field in fields(layout):
        value = getattr(layout, field.name)
        assert isinstance(value, int) or (value.ndim == 1 and value.flags.c_contiguous)
    # Two numbers for each field: where it is and how long.
    assert layout.table.size == 2 * len(fields(layout))
    assert layout.address == layout.table.ctypes.data


def test_what_is_fixed_has_its_rank_and_what_leads_to_it_comes_before_the_rest():
    rows = [
        activity("under way", under_way=True),
        activity("pinned", pin=Pin(0, 50)),
        activity("frozen", announced=Announced(0, 90)),
        activity("told", announced=Announced(0, 100)),
        activity("leads"),
        activity("open"),
    ]

    layout = prepare(problem(rows, [(4, 1)], freeze_until=100))

    assert layout.rank.tolist() == [UNDER_WAY, PINNED, FROZEN, OPEN, LEADS_TO_FIXED, OPEN]
    assert layout.wanted_start.tolist() == [NONE, 50, 90, NONE, NONE, NONE]
    assert layout.told_frozen.tolist() == [0, 0, 1, 0, 0, 0]


def test_links_stand_with_their_follower_and_work_under_way_waits_for_none():
    rows = [activity("a"), activity("b"), activity("c"), activity("d", under_way=True)]
    links = [
        Link(1, 2, start_to_start=True, wait=0, longest_slots=9),
        Link(0, 2),
        Link(0, 1),
        Link(0, 3),
    ]

    layout = prepare(problem(rows, links, waits=(wait_of(6),)))

    assert [row(layout, "leader", i) for i in range(4)] == [[], [0], [1, 0], []]
    assert [sorted(row(layout, "follower", i)) for i in range(4)] == [[1, 2], [2], [], []]
    at = int(layout.leader_first[2])
    assert layout.leader_link[at : at + 2].tolist() == [0, 1]
    assert layout.leader_start_to_start[at : at + 2].tolist() == [1, 0]
    assert layout.leader_wait[at : at + 2].tolist() == [0, NONE]
    assert layout.leader_longest[at : at + 2].tolist() == [9, NONE]
    assert layout.wait_table[10] == 16


def test_leaders_stand_before_followers_in_topological_order():
    rows = [activity(f"a{i}") for i in range(6)]
    links = [(5, 0), (3, 5), (0, 1), (4, 1)]

    order = prepare(problem(rows, links)).topological.tolist()

    assert sorted(order) == list(range(6))
    assert all(order.index(before) < order.index(after) for before, after in links)


def test_jobs_that_links_hold_together_are_one_group():
    rows = [activity(f"a{i}", job=i % 4) for i in range(8)]

    layout = prepare(problem(rows, [(0, 6), (6, 3)]))

    assert layout.group_of_job.tolist() == [0, 1, 0, 0]
    assert [row(layout, "group_job", g) for g in range(2)] == [[0, 2, 3], [1]]
    of_first = layout.group_member[layout.group_first[0] : layout.group_first[1]]
    assert sorted(of_first.tolist()) == [0, 2, 3, 4, 6, 7]


def test_a_mode_takes_its_crew_once_and_as_many_units_of_a_machine_as_it_names():
    machine = Resource("m", "Machine", 3)
    rows = [
        activity("a", modes=(Mode(0, 8, 0, (1, 1)), Mode(None, 8, 0))),
        activity("b", modes=(Mode(0, 0, 0, (1,)),)),
    ]

    layout = prepare(problem(rows, resources=(Resource("c", "Crew"), machine)))

    uses = [
        list(
            zip(
                layout.use_resource[a:b].tolist(),
                layout.use_units[a:b].tolist(),
                strict=True,
            )
        )
        for a, b in zip(layout.use_first[:-1], layout.use_first[1:], strict=True)
    ]
    # What takes no time takes nobody.
    assert uses == [[(0, 1), (1, 2)], [], []]
    assert layout.mode_crew.tolist() == [0, NONE, 0]


def test_a_job_is_covered_by_a_crew_as_far_as_it_can_do_the_work():
    rows = [
        activity("a", modes=(Mode(0, 8, 0), Mode(1, 6, 0))),
        activity("b", work=10, crews=[1]),
        activity("c", work=10, crews=[None], job=1),
    ]

    layout = prepare(problem(rows, crews=2))

    assert layout.coverage.reshape(2, 2).tolist() == [[6, 16], [0, 0]]


def test_a_resource_of_one_calendar_counts_its_slots_and_others_all_that_any_work_could_use():
    days, early = day_shifts(), calendar_open((0, 40))
    rows = [
        activity("a", crews=[0], modes=(Mode(0, 4, 0),)),
        activity("b", modes=(Mode(1, 4, 0), Mode(2, 4, 0))),
        activity("c", modes=(Mode(1, 4, 1), Mode(2, 4, 1))),
    ]
    crews = (
        Resource("c0", "Crew 0"),
        Resource("c1", "Crew 1"),
        Resource("c2", "Crew 2"),
        Resource("c3", "Crew 3", blocked=((70, 80),)),
    )

    layout = prepare(problem(rows, calendars=(days, early), resources=crews))

    assert layout.base[0] == 0
    assert layout.base[1] == layout.base[2] != layout.base[3]
    both = np.flatnonzero(days.working | early.working)
    assert slots(layout, int(layout.base[1])) == both.tolist()
    assert slots(layout, int(layout.base[3])) == list(range(70, 80))


def slots(layout: Layout, calendar: int) -> list[int]:
    """Return the working slots of a calendar, checked against how many lie before each slot."""
    first, total = layout.slot_first[calendar], layout.total[calendar]
    worked = layout.slot_of[first : first + total].tolist()
    at = calendar * (AXIS.slots + 1)
    before = layout.before[at : at + AXIS.slots + 1]
    assert np.flatnonzero(np.diff(before)).tolist() == worked
    return worked


def test_windows_are_in_order_and_none_lies_inside_another():
    rows = [
        activity("a", windows=(Window(50, 60), Window(0, 20), Window(5, 10), Window(52, 90))),
        activity("b"),
    ]

    layout = prepare(problem(rows))

    assert layout.window_set.tolist() == [0, NONE]
    assert layout.window_opens.tolist() == [0, 50, 52]
    assert layout.window_closes.tolist() == [20, 60, 90]


def test_a_job_may_wait_until_it_has_begun_or_somebody_was_told():
    rows = [
        activity("open", job=0),
        activity("told", job=0, announced=Announced(0, 50)),
        activity("of a begun job", job=1),
        activity("of a late job", job=2),
        activity("late", job=2, announced=Announced(0, 5)),
    ]
    jobs = (Job("j0"), Job("j1", begun=True), Job("j2"))

    layout = prepare(problem(rows, jobs=jobs, now=10))

    assert layout.may_wait.tolist() == [1, 0, 0, 0, 0]
    assert layout.begun.tolist() == [0, 1, 1]
    assert layout.earliest.tolist() == [10] * 5


def test_a_problem_of_nothing_has_a_layout():
    layout = prepare(problem([], jobs=(), resources=(), calendars=()))

    assert (layout.size, layout.jobs, layout.resources) == (0, 0, 0)
