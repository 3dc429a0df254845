"""The board drawn: where moments lie, what each shape and word tells, what a digest sees."""

import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from contractor.trade.phases import PHASE_TABLE
from jobs.drawing.board import draw_line
from jobs.drawing.board_bays import Bays, lay_out
from jobs.drawing.board_head import draw_backdrop, draw_days, draw_promises
from jobs.drawing.board_shapes import Family, family_of, outline, short_of
from jobs.drawing.board_text import in_two_lines
from jobs.drawing.board_values import Bar, DayWeather, Gap, Line, Stake

ZONE = ZoneInfo("America/New_York")
MONDAY = date(2026, 6, 1)


def at(day: int, hour: int, minute: int = 0) -> datetime:
    """Return a moment of June 2026 at the site."""
    return datetime(2026, 6, day, hour, minute, tzinfo=ZONE)


OFF = Gap(at(2, 0), at(4, 0), "Training", "off")


def bays(days: int = 14, bay_px: int = 50) -> Bays:
    all_days = [MONDAY + timedelta(days=n) for n in range(days)]
    return lay_out(
        [(day, day.weekday() < 5) for day in all_days],
        bay_px=bay_px,
        opens=7,
        closes=17,
        zone=ZONE,
    )


def bar(**fields: object) -> Bar:
    usual: dict[str, object] = {
        "key": 7,
        "job": "26-001",
        "label": "26-001 Elm Fork",
        "short": "Dig",
        "name": "26-001 Elm Fork, Dig holes, Mon Jun 1 7:00 to Tue Jun 2 12:00",
        "family": Family.GROUND,
        "starts_at": at(1, 7),
        "ends_at": at(2, 12),
    }
    return Bar(**(usual | fields))  # type: ignore[arg-type]


def test_a_moment_lies_in_its_day_by_its_share_of_the_working_hours() -> None:
    # Monday begins at 0 and is 50 px wide for ten hours: noon is five hours in.
    assert bays().x(at(1, 12)) == 25
    assert bays().x(at(2, 7)) == 50


def test_nights_take_no_room() -> None:
    drawn = bays()

    assert drawn.x(at(1, 17)) == drawn.x(at(1, 23)) == drawn.x(at(2, 5)) == 50


def test_days_without_work_are_narrow() -> None:
    # Five days of 50 px and two of 14.
    assert bays().left_of(date(2026, 6, 8)) == 278


def test_moments_beyond_the_board_lie_on_its_edges() -> None:
    drawn = bays(days=7)

    assert drawn.x(datetime(2026, 5, 1, 12, tzinfo=ZONE)) == 0
    assert drawn.x(at(30, 12)) == drawn.width == 278


def test_daylight_saving_moves_no_day() -> None:
    # Clocks go forward on March 8, 2026 (Energy Policy Act of 2005: second Sunday of March).
    spring = lay_out(
        [(date(2026, 3, 6) + timedelta(days=n), True) for n in range(5)],
        bay_px=40,
        opens=8,
        closes=16,
        zone=ZONE,
    )

    assert spring.x(datetime(2026, 3, 7, 12, tzinfo=ZONE)) == 60
    assert spring.x(datetime(2026, 3, 9, 12, tzinfo=ZONE)) == 140


def test_every_row_is_well_formed_and_escapes_what_people_enter() -> None:
    row = Line("crew-1", '<Crew & "Co">', bars=(bar(label="<b>&", name='"<&>"'),))
    drawn = draw_line(row, bays())

    root = ET.fromstring(drawn.svg)
    assert root.attrib["aria-label"] == '<Crew & "Co">'
    assert root.find("a").attrib["aria-label"] == '"<&>"'  # type: ignore[union-attr]


def test_no_row_needs_inline_style_or_script() -> None:
    svg = draw_line(Line("crew-1", "Crew 1", bars=(bar(is_pinned=True, waits=True),)), bays()).svg

    assert "style=" not in svg
    assert "<script" not in svg


def test_bars_that_overlap_hang_on_lines_of_their_own() -> None:
    one = draw_line(Line("visits", "Inspectors", bars=(bar(),)), bays())
    two = draw_line(Line("visits", "Inspectors", bars=(bar(), bar(key=8))), bays())

    assert two.height - one.height == 42


def test_a_stay_at_a_site_has_one_label() -> None:
    row = Line("crew-1", "Crew 1", bars=(bar(), bar(key=8, starts_at=at(3, 7), ends_at=at(4, 7))))

    assert draw_line(row, bays()).svg.count("26-001 Elm Fork</text>") == 1


@pytest.mark.parametrize(
    "change",
    [
        {"is_pinned": True},
        {"waits": True},
        {"share_done": 0.5},
        {"moved": True},
        {"is_late": True},
        {"is_done": True},
        {"is_under_way": True},
        {"moves_from": 3},
        {"name": "something else"},
        {"starts_at": at(1, 9)},
    ],
)
def test_a_row_says_so_when_anything_in_it_changes(change: dict[str, object]) -> None:
    before = draw_line(Line("crew-1", "Crew 1", bars=(bar(),)), bays())
    after = draw_line(Line("crew-1", "Crew 1", bars=(replace(bar(), **change),)), bays())

    assert before.digest != after.digest


def test_the_same_row_is_the_same_text() -> None:
    row = Line("crew-1", "Crew 1", bars=(bar(),), gaps=(Gap(at(3, 7), at(5, 17), "Cure"),))

    assert draw_line(row, bays()) == draw_line(row, bays())


def test_a_gap_tells_its_reason_in_two_lines_and_whole_in_its_title() -> None:
    words = "Pads reach 40 % on Thu"
    svg = draw_line(Line("crew-1", "C", gaps=(Gap(at(1, 7), at(3, 7), words),)), bays()).svg

    assert f"<title>{words}</title>" in svg
    assert "Pads reach 40</text>" in svg
    assert "% on Thu</text>" in svg


@pytest.mark.parametrize(
    ("words", "short", "room", "told"),
    [
        ("Cure", "cure", 60, ("Cure",)),
        ("Pads reach 40 % on Thu", "cure", 90, ("Pads reach 40", "% on Thu")),
        ("Pads reach 40 % of their strength on Thursday", "cure", 90, ("cure",)),
        (
            "Pads reach 40 % of their strength on Thursday",
            "",
            90,
            ("Pads reach 40", "% of their st…"),
        ),
        ("Pads reach 40 % on Thu", "cure", 27, ("cure",)),
        ("Pads reach 40 % on Thu", "cure", 10, ()),
    ],
)
def test_a_word_that_fits_whole_comes_before_a_reason_that_is_cut(
    words: str, short: str, room: float, told: tuple[str, ...]
) -> None:
    assert in_two_lines(words, short, room) == told


def test_waits_side_by_side_never_write_over_each_other_nor_under_a_bar() -> None:
    waits = (
        Gap(at(1, 7), at(12, 7), "Trusses promised for Jun 12", short="delivery"),
        Gap(at(1, 7), at(10, 7), "Pads cure", short="cure"),
        Gap(at(1, 7), at(4, 7), "Asked by 4 PM", short="visit"),
    )
    work = (bar(starts_at=at(3, 7), ends_at=at(5, 7)),)
    svg = draw_line(Line("job-1", "26-001", bars=work, gaps=waits), bays()).svg

    told = [e for e in ET.fromstring(svg).iter("text") if e.attrib["class"] == "why"]
    spans = sorted(
        (float(e.attrib["x"]), float(e.attrib["x"]) + 6.3 * len(e.text or ""), e.attrib["y"])
        for e in told
    )
    spans.append((bays().x(at(3, 7)), bays().x(at(5, 7)), "25"))
    on_string = sorted(span for span in spans if span[2] == "25")
    assert len(told) >= 2
    assert all(a[1] <= b[0] for a, b in pairwise(on_string))


def test_work_that_pauses_for_other_work_hangs_where_it_goes_on() -> None:
    goes_on = bar(starts_at=at(3, 12), ends_at=at(5, 7), begun_at=at(1, 7))
    other = bar(key=8, job="26-002", starts_at=at(3, 7), ends_at=at(3, 12))
    one_lane = draw_line(Line("crew-1", "C", bars=(other, goes_on)), bays())

    assert one_lane.svg.count('class="string"') == 1
    assert 'class="begun" d="M0 ' in one_lane.svg


def test_a_day_off_is_drawn_over_the_work_that_pauses_on_it() -> None:
    row = Line("crew-1", "C", bars=(bar(ends_at=at(4, 12)),), gaps=(OFF,))
    svg = draw_line(row, bays()).svg

    assert svg.index('class="off"') > svg.index('class="shape"')
    assert "Training</text>" in svg


def test_people_lent_stand_below_the_bars_where_their_words_are_seen() -> None:
    lent = Gap(at(2, 0), at(3, 0), "lends 1 to Elm crew", "lent")
    plain = draw_line(Line("crew-1", "C", bars=(bar(),)), bays())
    drawn = draw_line(Line("crew-1", "C", bars=(bar(),), gaps=(lent,)), bays())

    words = next(e for e in ET.fromstring(drawn.svg).iter("text") if e.text == lent.words)
    assert float(words.attrib["y"]) > 17 + 22
    assert drawn.height > plain.height


def test_bars_too_narrow_for_their_words_tell_them_below_in_their_order() -> None:
    narrow = tuple(
        bar(key=n, short=word, starts_at=at(1, 7 + n), ends_at=at(1, 8 + n))
        for n, word in enumerate(("Lay", "Dig", "Pads"))
    )
    svg = draw_line(Line("crew-1", "C", bars=narrow), bays()).svg

    assert "Lay Dig Pads</text>" in svg


def test_over_a_season_narrow_bars_have_no_words_below() -> None:
    narrow = bar(starts_at=at(1, 7), ends_at=at(1, 8))

    assert "Dig" not in draw_line(Line("crew-1", "C", bars=(narrow,)), bays(bay_px=16)).svg.replace(
        narrow.name, ""
    )


def test_a_number_that_does_not_fit_is_told_by_its_end_and_never_cut() -> None:
    first = bar(starts_at=at(1, 7), ends_at=at(1, 12))
    other = bar(key=8, job="26-002", label="26-002 Elm Fork", starts_at=at(1, 12), ends_at=at(4, 7))
    svg = draw_line(Line("crew-1", "C", bars=(first, other)), bays()).svg

    assert ">001</text>" in svg
    assert "26-…" not in svg


def test_days_fill_the_room_there_is() -> None:
    days = [(MONDAY + timedelta(days=n), n % 7 < 5) for n in range(21)]
    laid = lay_out(days, bay_px=42, room_px=1190, opens=7, closes=17, zone=ZONE)

    assert 1190 - 21 < laid.width <= 1190


def test_days_never_get_narrower_than_they_can_be_read() -> None:
    days = [(MONDAY + timedelta(days=n), n % 7 < 5) for n in range(21)]
    laid = lay_out(days, bay_px=42, room_px=200, opens=7, closes=17, zone=ZONE)

    assert laid.bays[0].width == 42


def test_a_promise_at_the_edge_is_told_before_its_stake() -> None:
    last = Stake(MONDAY + timedelta(days=11), "26-001", True, "late")
    svg = draw_promises([last], bays(days=12)).svg

    words = next(e for e in ET.fromstring(svg).iter("text") if e.text == "26-001 late")
    assert words.attrib["text-anchor"] == "end"


def test_time_set_aside_is_no_link() -> None:
    svg = draw_line(Line("crew-1", "C", bars=(bar(key=0, family=Family.ASIDE),)), bays()).svg

    assert "<a " not in svg
    assert 'role="img"' in svg


def test_a_late_promise_says_late() -> None:
    stakes = [Stake(MONDAY, "26-001", True, "late"), Stake(MONDAY, "26-002", False, "kept")]
    svg = draw_promises(stakes, bays()).svg

    assert "26-001 late</text>" in svg
    assert "26-002</text>" in svg


def test_stopped_work_is_told_in_words_under_its_day() -> None:
    weather = [DayWeather(MONDAY, "60–71°", ("truss", "roof"), "Mon Jun 1; stops two")]
    svg = draw_days(bays(), weather, now=at(1, 9), freeze_until=at(6, 0))

    assert "truss</text>" in svg
    assert "roof</text>" in svg
    assert "freeze ends" in svg
    assert ET.fromstring(svg) is not None


def test_today_is_drawn_only_on_days_that_are_shown() -> None:
    assert "today" in draw_backdrop(bays(), now=at(2, 9), freeze_until=None)
    may, later = datetime(2026, 5, 28, 9, tzinfo=ZONE), at(25, 9)
    for now in (may, later):
        assert "today" not in draw_backdrop(bays(days=7), now=now, freeze_until=None)
        assert ">now<" not in draw_days(bays(days=7), [], now=now, freeze_until=None)


@pytest.mark.parametrize("code", PHASE_TABLE)
def test_every_phase_has_a_family_and_a_short_word(code: str) -> None:
    assert family_of(code) in Family
    assert 0 < len(short_of(code)) <= 8


def test_each_family_has_a_shape_of_its_own() -> None:
    shapes = {outline(family, 0, 0, 60, 22) for family in Family}

    assert len(shapes) == len(Family)
