"""The site from above: how far each corner lies below the floor, and what it needs."""

from contractor.trade.site import CORNERS, SiteGrade
from contractor.trade.units import feet_inches, number_text
from jobs.drawing.sheet import GROUND, SMALL_TEXT_SIZE, WALL, Sheet, feet

SHEET_WIDTH = 480.0
TOP, BOTTOM, SIDE = 84.0, 96.0, 150.0
TALLEST = 220.0


def site_plan_svg(grade: SiteGrade, *, name: str, width_ft: float, length_ft: float) -> str:
    """Return the outline with each corner's height, cut or fill, and post, as SVG."""
    scale = min((SHEET_WIDTH - 2 * SIDE) / width_ft, TALLEST / length_ft)
    across, along = width_ft * scale, length_ft * scale
    sheet = Sheet(SHEET_WIDTH, TOP + along + BOTTOM)
    left, back = (SHEET_WIDTH - across) / 2, TOP
    sheet.box((left, back), (left + across, back + along), fill=WALL, stroke=GROUND)
    # Front corners are drawn below, as one stands before the building.
    places = ((left, back + along), (left + across, back + along), (left + across, back))
    for index, (place, (x, y)) in enumerate(zip(CORNERS, (*places, (left, back)), strict=True)):
        anchor = "end" if x == left else "start"
        shift = -8 if x == left else 8
        first = y - 58 if y == back else y + 18
        mark = " (high point)" if place is grade.high_point else ""
        lines = (f"{place.label}{mark}", *corner_lines(grade, index))
        for n, line in enumerate(lines):
            sheet.text((x + shift, first + 16 * n), line, anchor=anchor, size=SMALL_TEXT_SIZE)
    sheet.text((SHEET_WIDTH / 2, back + along / 2), feet(width_ft), size=SMALL_TEXT_SIZE)
    sheet.text(
        (SHEET_WIDTH / 2, back + along / 2 + 18), f"× {feet(length_ft)}", size=SMALL_TEXT_SIZE
    )
    sheet.text((SHEET_WIDTH / 2, back + along - 8), "front", size=SMALL_TEXT_SIZE)
    told = "; ".join(
        f"{corner.place.label}: {', '.join(corner_lines(grade, n))}"
        for n, corner in enumerate(grade.corners)
    )
    return sheet.render(
        name=name,
        title=f"Site of a {width_ft:g} by {length_ft:g} ft building from above",
        description=f"Floor 1 in above the high point. {told}.",
    )


def corner_lines(grade: SiteGrade, index: int) -> tuple[str, str, str]:
    """Return a corner's ground below the floor, its cut or fill, and its post, in words."""
    corner = grade.corners[index]
    below_in = (grade.floor_ft - corner.height_ft) * 12
    change = ("cut", corner.cut_ft) if corner.cut_ft > 0 else ("fill", corner.fill_ft)
    return (
        f"{number_text(below_in, places=1)} in below floor",
        f"{change[0]} {number_text(change[1] * 12, places=1)} in",
        f"post {feet_inches(corner.post_ft, eighths=False)}",
    )
