"""What stays true of the network of any job."""

from hypothesis import given, settings
from hypothesis import strategies as st

from contractor.trade.building import Building, Foundation
from contractor.trade.labor import phase_labor
from contractor.trade.phases import (
    FRAME_HOLDS,
    INSPECTIONS,
    PHASE_TABLE,
    REWORK,
    REWORK_OF,
    Performer,
    build_order,
    job_network,
)
from contractor.trade.takeoff import take_off
from tests.property.trade_strategies import BUILDINGS, INSPECTION_SETS, building_fields


@settings(max_examples=150, deadline=None)
@given(BUILDINGS, INSPECTION_SETS)
def test_the_network_of_any_building_has_no_loop_and_stands_in_its_own_order(building, inspections):
    network = job_network(building=building, inspections=inspections)

    rank = {code: index for index, code in enumerate(network.phases)}
    assert build_order(network.phases, network.follows) == network.phases
    assert all(rank[link.before] < rank[link.after] for link in network.follows)
    assert len({(link.before, link.after) for link in network.follows}) == len(network.follows)


@settings(max_examples=100, deadline=None)
@given(
    BUILDINGS,
    INSPECTION_SETS,
    st.sampled_from(FRAME_HOLDS),
    st.frozensets(st.sampled_from(sorted(REWORK))),
    st.frozensets(st.sampled_from(sorted(INSPECTIONS))),
)
def test_whatever_was_failed_or_passed_in_part_the_network_has_no_loop_and_nothing_skips_a_visit(
    building, inspections, holds, rework, partly_passed
):
    network = job_network(
        building=building,
        inspections=inspections,
        frame_holds=holds,
        rework=rework,
        partly_passed=partly_passed,
    )

    rank = {code: index for index, code in enumerate(network.phases)}
    assert all(rank[link.before] < rank[link.after] for link in network.follows)
    order = _finished_before(network, set(network.phases))
    for inspection, again in REWORK_OF.items():
        if again in network.phases:
            assert (again, inspection) in order
    for inspection in set(network.phases) & INSPECTIONS - partly_passed:
        plain = job_network(building=building, inspections=inspections, frame_holds=holds)
        after = {link.after for link in plain.follows if link.before == inspection}
        assert {(inspection, code) for code in after} <= order


@settings(max_examples=100, deadline=None)
@given(BUILDINGS, INSPECTION_SETS)
def test_a_job_starts_with_layout_alone_and_ends_in_one_phase(building, inspections):
    network = job_network(building=building, inspections=inspections)

    starts = set(network.phases) - {link.after for link in network.follows}
    ends = set(network.phases) - {link.before for link in network.follows}
    assert starts == {"LAYOUT"}
    assert ends == {"FINAL_INSPECTION" if "FINAL_INSPECTION" in inspections else "PUNCH"}


@settings(max_examples=100, deadline=None)
@given(BUILDINGS, INSPECTION_SETS)
def test_leaving_an_inspection_out_never_loses_an_order_between_the_others(building, inspections):
    whole = job_network(building=building, inspections=INSPECTIONS)
    part = job_network(building=building, inspections=inspections)
    kept = set(part.phases)

    assert _finished_before(whole, kept) == _finished_before(part, kept)


def _finished_before(network, kept):
    """Pairs where the first must be finished before the second starts, among kept phases."""
    pairs = {(link.before, link.after) for link in network.follows if not link.start_to_start}
    for middle in network.phases:
        into = {before for before, after in pairs if after == middle}
        out = {after for before, after in pairs if before == middle}
        pairs |= {(before, after) for before in into for after in out}
    return {(before, after) for before, after in pairs if before in kept and after in kept}


@settings(max_examples=100, deadline=None)
@given(building_fields(), INSPECTION_SETS)
def test_precast_piers_never_wait_for_a_cure_before_the_frame(fields, inspections):
    building = Building(**{**fields, "foundation": Foundation.PRECAST_PIER})

    network = job_network(building=building, inspections=inspections)

    assert not [link for link in network.follows if link.cure and link.before != "SLAB"]


@settings(max_examples=100, deadline=None)
@given(BUILDINGS, INSPECTION_SETS)
def test_crew_phases_of_the_network_are_those_with_labor_hours(building, inspections):
    network = job_network(building=building, inspections=inspections)

    labor = phase_labor(building=building, take_off=take_off(building))

    crew = {code for code in network.phases if PHASE_TABLE[code].performer is Performer.CREW}
    assert {phase.phase for phase in labor} == crew
