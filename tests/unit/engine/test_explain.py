import pytest

from contractor.engine.decode import Bind, decode
from contractor.engine.explain import chain
from tests.unit.engine.builders import activity, problem


def test_a_chain_leads_across_jobs_back_to_now():
    rows = [activity("a", job=0), activity("b", job=1), activity("c", crews=[1], job=1)]
    whole = problem(rows, [(1, 2)], crews=2)

    steps = chain(whole, decode(whole, [0, 1, 2]), 2)

    assert [(step.activity, step.because.kind) for step in steps] == [
        (2, Bind.LINK),
        (1, Bind.CREW),
        (0, Bind.NOW),
    ]


def test_a_chain_ends_at_a_release():
    whole = problem([activity("a", release=9), activity("b")], [(0, 1)])

    steps = chain(whole, decode(whole, [0, 1]), 1)

    assert (steps[-1].activity, steps[-1].because.kind) == (0, Bind.RELEASE)


def test_starts_fall_along_a_chain():
    rows = [activity(f"a{i}", work=3 + i) for i in range(6)]
    whole = problem(rows, [(0, 3), (1, 4)])

    starts = [step.start for step in chain(whole, decode(whole, [5, 4, 3, 2, 1, 0]), 4)]

    assert starts == sorted(starts, reverse=True)
    assert len(starts) == 4


def test_what_is_not_planned_has_no_chain():
    whole = problem([activity("a", modes=())])

    assert chain(whole, decode(whole, [0]), 0) == ()


def test_an_index_that_is_no_activity_is_refused():
    whole = problem([activity("a")])

    with pytest.raises(ValueError, match="activity 4"):
        chain(whole, decode(whole, [0]), 4)
