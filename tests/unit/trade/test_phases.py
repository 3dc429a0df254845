import pytest

from contractor.trade.building import Foundation, Insulation, Lining, OpeningKind, Use
from contractor.trade.phases import (
    FRAME_HOLDS,
    INSPECTIONS,
    PHASE_TABLE,
    Follows,
    JobNetwork,
    Performer,
    build_order,
    job_network,
)
from contractor.trade.weather import WeatherGate
from crews.models import Crew, Equipment
from tests.unit.trade.buildings import door, shop

FITTED = {
    "use": Use.HOUSE_SHELL,
    "slab_in": 4,
    "wall_lining": Lining.STEEL,
    "insulation": Insulation.BATTS,
    "openings": (door(OpeningKind.OVERHEAD_DOOR, 10, 8), door(OpeningKind.WALK_DOOR, 3, 7)),
}


TOLD_OF_INSPECTIONS = ("frame_holds", "rework", "partly_passed")


def network_of(inspections: frozenset[str] = INSPECTIONS, **changes: object) -> JobNetwork:
    told = {name: changes.pop(name) for name in TOLD_OF_INSPECTIONS if name in changes}
    return job_network(building=shop(**changes), inspections=inspections, **told)


def pairs(network: JobNetwork) -> set[tuple[str, str]]:
    return {(link.before, link.after) for link in network.follows}


def link(network: JobNetwork, before: str, after: str) -> Follows:
    (found,) = (x for x in network.follows if (x.before, x.after) == (before, after))
    return found


def test_the_table_has_the_phases_in_build_order():
    assert list(PHASE_TABLE) == [
        "LAYOUT",
        "DIG",
        "HOLE_INSPECTION",
        "HOLE_REWORK",
        "POUR",
        "SLAB_INSPECTION",
        "SLAB_REWORK",
        "SLAB",
        "POSTS",
        "FRAME",
        "TRUSSES",
        "FRAME_INSPECTION",
        "FRAME_REWORK",
        "ROOF",
        "WALLS",
        "TRIM",
        "OVERHEAD_DOORS",
        "DOORS",
        "ROUGH_TRADES",
        "INSULATION",
        "LINER",
        "FINAL_INSPECTION",
        "FINAL_REWORK",
        "PUNCH",
    ]


@pytest.mark.parametrize("kind", PHASE_TABLE.values(), ids=list(PHASE_TABLE))
def test_a_crew_phase_has_people_and_any_other_has_hours(kind):
    crew = kind.performer is Performer.CREW

    assert (1 <= kind.min_people <= kind.max_people) is crew
    assert (kind.nominal_hours > 0) is not crew
    assert bool(kind.skills) is crew
    assert kind.skills <= set(Crew.Skill.values)
    assert kind.equipment <= set(Equipment.Kind.values)
    assert WeatherGate(kind.weather_gate) in WeatherGate


@pytest.mark.parametrize("code", ["DIG", "POUR", "POSTS", "FRAME", "TRUSSES", "ROOF", "LINER"])
def test_work_that_can_hurt_people_carries_a_caution(code):
    assert PHASE_TABLE[code].caution


def test_poured_piers_go_from_holes_over_the_inspection_to_cured_pads():
    network = network_of()

    assert network.phases[:6] == ("LAYOUT", "DIG", "HOLE_INSPECTION", "POUR", "POSTS", "FRAME")
    assert link(network, "POUR", "POSTS").cure.minimum_hours == 24
    assert link(network, "POSTS", "FRAME").cure.minimum_hours == 16
    assert link(network, "POSTS", "TRUSSES").cure.strength_share == 0.4


def test_only_concrete_in_the_ground_cures_at_its_temperature():
    network = network_of(slab_in=4, wall_lining=Lining.STEEL)

    buried = {x.before: x.cure.buried for x in network.follows if x.cure}
    assert buried == {"POUR": True, "POSTS": True, "SLAB": False}


def test_precast_piers_are_set_as_soon_as_the_holes_are_passed():
    network = network_of(foundation=Foundation.PRECAST_PIER)

    assert network.phases[:5] == ("LAYOUT", "DIG", "HOLE_INSPECTION", "POSTS", "FRAME")
    assert not any(x.cure for x in network.follows)


def test_a_bracketed_slab_comes_before_the_posts_and_cures():
    network = network_of(foundation=Foundation.SLAB_BRACKET, slab_in=5)

    assert network.phases[:5] == ("LAYOUT", "SLAB_INSPECTION", "SLAB", "POSTS", "FRAME")
    assert link(network, "SLAB", "POSTS").cure.strength_share == 0.6
    assert network.dig_phases == ("SLAB",)


def test_a_floor_in_a_pier_building_comes_after_the_walls():
    network = network_of(slab_in=4)

    assert network.phases.index("SLAB") > network.phases.index("WALLS")
    assert network.dig_phases == ("DIG",)


def test_links_bridge_over_an_inspection_that_is_not_required():
    network = network_of(inspections=frozenset())

    assert "HOLE_INSPECTION" not in network.phases
    assert ("DIG", "POUR") in pairs(network)


def test_a_job_without_doors_goes_from_trim_to_the_punch_list():
    network = network_of()

    assert ("TRIM", "PUNCH") in pairs(network)
    assert not {"DOORS", "OVERHEAD_DOORS", "LINER", "INSULATION"} & set(network.phases)


def test_tamped_posts_without_collars_do_not_wait_for_a_cure():
    network = network_of(collar_in=0)

    assert link(network, "POSTS", "FRAME").cure is None
    assert ("POSTS", "TRUSSES") not in pairs(network)


def test_without_pads_there_is_no_pour_and_concrete_comes_for_the_collars():
    network = network_of(pad_in=0)

    assert "POUR" not in network.phases
    assert ("CONCRETE", "POSTS") in network.deliveries


def test_liner_may_follow_the_insulation_along_the_walls():
    follows = link(network_of(**FITTED), "INSULATION", "LINER")

    assert follows.start_to_start
    assert follows.lag_hours == 4


def test_the_punch_list_waits_for_insulation_to_finish_where_no_liner_follows():
    network = network_of(insulation=Insulation.BATTS)

    assert not link(network, "INSULATION", "PUNCH").start_to_start


def test_a_lift_waits_for_the_slab_it_stands_on():
    assert link(network_of(**FITTED), "SLAB", "LINER").cure.strength_share == 0.7


def test_every_phase_but_the_first_follows_something():
    network = network_of(**FITTED)

    assert set(network.phases) - {after for _, after in pairs(network)} == {"LAYOUT"}


def test_everything_is_done_before_the_final_inspection():
    network = network_of(**FITTED)

    assert network.phases[-2:] == ("PUNCH", "FINAL_INSPECTION")
    assert {before for before, _ in pairs(network)} == set(network.phases) - {"FINAL_INSPECTION"}


def test_each_delivery_holds_the_phase_that_needs_it():
    network = network_of(**FITTED)

    assert dict(network.deliveries) == {
        "CONCRETE": "POUR",
        "POSTS": "POSTS",
        "TRUSSES": "TRUSSES",
        "STEEL": "ROOF",
        "OVERHEAD_DOORS": "OVERHEAD_DOORS",
        "WINDOWS_AND_DOORS": "DOORS",
        "INSULATION": "INSULATION",
        "LINER": "LINER",
    }


def test_a_condensation_blanket_is_on_site_before_the_roof():
    network = network_of(insulation=Insulation.CONDENSATION_BLANKET)

    assert ("INSULATION", "ROOF") in network.deliveries


def test_precast_piers_are_a_delivery():
    network = network_of(foundation=Foundation.PRECAST_PIER)

    assert ("PRECAST_PIERS", "POSTS") in network.deliveries
    assert "CONCRETE" not in dict(network.deliveries)


def test_an_inspection_the_building_does_not_reach_is_left_out():
    network = network_of(foundation=Foundation.SLAB_BRACKET, slab_in=5)

    assert "HOLE_INSPECTION" not in network.phases


def test_an_unknown_inspection_is_refused_by_name():
    with pytest.raises(ValueError, match="inspections ROOF: not known here"):
        network_of(inspections=frozenset({"ROOF"}))


def test_a_loop_is_refused_with_the_phases_on_it():
    links = (Follows("ROOF", "WALLS"), Follows("WALLS", "TRIM"), Follows("TRIM", "ROOF"))

    with pytest.raises(ValueError, match="in a loop") as refused:
        build_order(("ROOF", "WALLS", "TRIM"), links)

    assert all(code in str(refused.value) for code in ("ROOF", "WALLS", "TRIM"))


def test_every_link_says_why():
    assert all(x.why for x in network_of(**FITTED).follows)


def test_rework_stands_between_the_work_that_failed_and_its_inspection():
    network = network_of(rework=frozenset({"FRAME_REWORK", "HOLE_REWORK"}))

    assert {("TRUSSES", "FRAME_REWORK"), ("FRAME_REWORK", "FRAME_INSPECTION")} <= pairs(network)
    assert ("TRUSSES", "FRAME_INSPECTION") not in pairs(network)
    assert {("DIG", "HOLE_REWORK"), ("HOLE_REWORK", "HOLE_INSPECTION")} <= pairs(network)
    assert network.dig_phases == ("DIG", "HOLE_REWORK")


def test_rework_goes_with_its_inspection():
    network = network_of(inspections=frozenset(), rework=frozenset({"FRAME_REWORK"}))

    assert "FRAME_REWORK" not in network.phases


def test_a_part_passed_inspection_lets_its_phase_begin_and_holds_the_next():
    network = network_of(partly_passed=frozenset({"HOLE_INSPECTION"}))

    assert ("HOLE_INSPECTION", "POUR") not in pairs(network)
    assert {("DIG", "POUR"), ("HOLE_INSPECTION", "POSTS")} <= pairs(network)
    assert "only on what was released" in link(network, "DIG", "POUR").why


def test_a_part_passed_frame_lets_wall_steel_go_on_and_holds_doors_and_trim():
    network = network_of(**FITTED, partly_passed=frozenset({"FRAME_INSPECTION"}))

    assert {("FRAME_INSPECTION", "TRIM"), ("FRAME_INSPECTION", "DOORS")} <= pairs(network)
    assert ("FRAME_INSPECTION", "WALLS") not in pairs(network)
    assert ("ROOF", "WALLS") in pairs(network)


@pytest.mark.parametrize("holds", FRAME_HOLDS)
def test_a_frame_inspection_holds_what_its_authority_says(holds):
    network = network_of(**FITTED, frame_holds=holds)

    assert ("FRAME_INSPECTION", holds) in pairs(network)


def test_a_frame_seen_before_insulation_has_its_roof_and_wires():
    """Roof and bracing in place, rough trades approved: IRC R109.1.4 (from memory)."""
    network = network_of(**FITTED, frame_holds="INSULATION")

    assert ("ROUGH_TRADES", "FRAME_INSPECTION") in pairs(network)
    order = network.phases
    assert order.index("ROOF") < order.index("FRAME_INSPECTION") < order.index("INSULATION")


@pytest.mark.parametrize(
    "wrong",
    [{"frame_holds": "DIG"}, {"rework": frozenset({"DIG"})}, {"partly_passed": frozenset({"DIG"})}],
)
def test_anything_unknown_is_refused_by_name(wrong):
    with pytest.raises(ValueError, match=f"{next(iter(wrong))} DIG: not known here"):
        network_of(**wrong)
