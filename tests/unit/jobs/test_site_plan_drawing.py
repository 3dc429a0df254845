from xml.etree import ElementTree

from contractor.trade.site import CORNERS, ShotKind, site_grade
from jobs.drawing.site_plan import corner_lines, site_plan_svg

GRADE = site_grade(
    dict(zip(CORNERS, (4.0, 4.5, 5.4, 4.8), strict=True)),
    kind=ShotKind.ROD,
    width_ft=30,
    length_ft=40,
    post_length_ft=13.5,
    slab_in=0,
)


def texts() -> list[str]:
    drawing = site_plan_svg(GRADE, name="site-1", width_ft=30, length_ft=40)
    root = ElementTree.fromstring(drawing)
    return ["".join(node.itertext()) for node in root.iter() if node.tag.endswith("text")]


def test_each_corner_tells_its_ground_its_cut_or_fill_and_its_post():
    """Rod 5.4 against 4.0: 1.4 ft lower; 17.8 in below the floor; 13.5 + 1.48 ft of post."""
    assert corner_lines(GRADE, 0) == ("1 in below floor", "cut 3 in", "post 13' 7\"")
    assert corner_lines(GRADE, 2) == ("17.8 in below floor", "fill 13.8 in", "post 15' 0\"")


def test_the_drawing_is_xml_and_names_all_corners_and_the_high_point():
    told = texts()

    assert "Front left (high point)" in told
    assert {"Front right", "Back right", "Back left", "front"} <= set(told)


def test_who_cannot_see_it_hears_the_same():
    drawing = site_plan_svg(GRADE, name="site-1", width_ft=30, length_ft=40)

    assert "Back right: 17.8 in below floor, fill 13.8 in, post 15" in drawing
