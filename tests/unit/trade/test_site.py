import pytest

from contractor.trade.site import (
    CORNERS,
    ShotKind,
    ShotPlace,
    floor_level_ft,
    site_grade,
)

FL, FR, BR, BL = CORNERS
CENTER = ShotPlace.CENTER
# On a rod, in feet: front left is the high point, back right lies 8.4 in lower.
SLOPE = {FL: 4.1, FR: 4.3, BR: 4.8, BL: 4.5}


def grade(readings=SLOPE, *, kind=ShotKind.ROD, slab_in=0.0):
    return site_grade(
        readings, kind=kind, width_ft=30, length_ft=40, post_length_ft=13.5, slab_in=slab_in
    )


@pytest.mark.parametrize("shots", [[], [float("nan")], [1.0, float("inf")]])
def test_a_floor_level_needs_ground_levels(shots):
    with pytest.raises(ValueError, match="ground_shots_ft"):
        floor_level_ft(shots)


def test_ground_below_the_mark_may_be_negative():
    assert floor_level_ft([-2.0, -1.5]) == pytest.approx(-1.5 + 1 / 12)


def test_a_larger_number_on_the_rod_is_lower_ground():
    found = grade()

    assert found.fall_in == pytest.approx(8.4)
    assert found.high_point is FL


def test_a_larger_height_is_higher_ground():
    heights = {place: 100 - reading for place, reading in SLOPE.items()}

    assert grade(heights, kind=ShotKind.HEIGHT).fall_in == pytest.approx(8.4)
    assert grade(heights, kind=ShotKind.HEIGHT).high_point is FL


def test_the_floor_lies_an_inch_above_the_highest_ground():
    """Common practice, no source; heights are over the lowest shot."""
    assert grade().floor_ft == pytest.approx(0.7 + 1 / 12)


def test_the_high_corner_is_cut_and_the_low_one_filled():
    """4 in of gravel under a floor 1 in above: grade is 3 in below the high point."""
    corners = {corner.place: corner for corner in grade().corners}

    assert corners[FL].cut_ft == pytest.approx(3 / 12)
    assert corners[FL].fill_ft == 0
    assert corners[BR].fill_ft == pytest.approx(0.7 - 3 / 12)
    assert corners[BR].cut_ft == 0


def test_a_slab_lowers_the_grade_by_its_thickness():
    flat = grade(slab_in=5)

    assert flat.cut_cy > grade().cut_cy
    assert flat.fill_cy < grade().fill_cy


def test_each_corner_needs_its_own_post():
    """Level ground takes 13.5 ft; lower ground that much more, and an inch of floor everywhere."""
    posts = {corner.place: corner.post_ft for corner in grade().corners}

    assert posts[FL] == pytest.approx(13.5 + 1 / 12)
    assert posts[BR] == pytest.approx(13.5 + 0.7 + 1 / 12)


def test_volumes_are_the_mean_depth_times_the_area():
    """
    Fill: (0 + 0 + 0.45 + 0.15) / 4 ft × 1,200 sq ft / 27 = 6.7 cy. Our own arithmetic.
    """
    assert grade().fill_cy == pytest.approx((0.45 + 0.15) / 4 * 1200 / 27)


def test_a_center_weighs_a_third():
    """Four triangles from the center to the corners; a bowl of 1 ft in level ground."""
    level = dict.fromkeys(CORNERS, 4.0)

    bowl = grade({**level, CENTER: 5.0})

    # All but the center is 3 in too high, the center 9 in too low.
    assert bowl.fill_cy == pytest.approx(0.75 / 3 * 1200 / 27)
    assert bowl.cut_cy == pytest.approx(0.25 * 2 / 3 * 1200 / 27)


def test_a_missing_corner_is_named():
    with pytest.raises(ValueError, match="back left not shot yet"):
        grade({FL: 4, FR: 4, BR: 4, CENTER: 4})


@pytest.mark.parametrize(
    ("readings", "kind"),
    [
        ({**SLOPE, BR: 26.0}, ShotKind.ROD),
        ({**SLOPE, BR: -0.1}, ShotKind.ROD),
        ({**SLOPE, BR: float("nan")}, ShotKind.ROD),
        ({**SLOPE, BR: 20_000.0}, ShotKind.HEIGHT),
    ],
)
def test_a_reading_that_no_rod_shows_is_refused(readings, kind):
    with pytest.raises(ValueError, match=r"reading_ft .* at back right"):
        grade(readings, kind=kind)


def test_more_fall_than_any_site_has_is_refused():
    with pytest.raises(ValueError, match="more than 20 ft"):
        grade({**SLOPE, BR: 24.5})
