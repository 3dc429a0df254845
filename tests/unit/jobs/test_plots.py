"""The owner's plots: what they tell, that text stays text, and contrast by WCAG 2.2."""

import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from datetime import date, timedelta

import pytest

from jobs.drawing import plots
from jobs.drawing.plots import (
    CauseBar,
    CoverageDot,
    FinishBar,
    WeekBar,
    calibration_svg,
    causes_svg,
    finishes_svg,
    load_svg,
)

SVG = "{http://www.w3.org/2000/svg}"
MONDAY = date(2026, 6, 1)


def weeks(name: str) -> str:
    return load_svg(name, [WeekBar(MONDAY + timedelta(weeks=n), 120, 40 + n) for n in range(12)])


def finishes(name: str) -> str:
    days = [MONDAY + timedelta(days=n) for n in (10, 20, 30, 40)]
    return finishes_svg(
        name,
        [
            FinishBar("26-001", *days, promised=MONDAY + timedelta(days=25)),
            FinishBar("26-<2>", *days, promised=None),
        ],
    )


def causes(name: str) -> str:
    return causes_svg(name, [CauseBar("Weather & mud", 12.5), CauseBar("Material", 3)])


def calibration(name: str) -> str:
    return calibration_svg(name, [CoverageDot(0.8, 0.75, 0.62, 0.92)])


PLOTS = (weeks, finishes, causes, calibration)


@pytest.mark.parametrize("plot", PLOTS)
def test_a_plot_is_one_element_with_a_title_and_a_description(plot: Callable[[str], str]):
    root = ET.fromstring(plot("one"))

    assert root.tag == f"{SVG}svg"
    assert root.get("role") == "img"
    assert root.find(f"{SVG}title") is not None
    assert root.findtext(f"{SVG}desc")


@pytest.mark.parametrize("plot", PLOTS)
def test_text_stays_text_and_nothing_is_styled_in_place(plot: Callable[[str], str]):
    drawn = plot("one")

    assert ET.fromstring(drawn).findall(f".//{SVG}text")
    assert "style=" not in drawn
    assert "<style" not in drawn
    assert "<script" not in drawn


@pytest.mark.parametrize("plot", PLOTS)
def test_two_plots_of_a_page_share_no_id_and_each_name_leads_somewhere(plot: Callable[[str], str]):
    first, second = plot("one"), plot("two")
    ids = re.findall(r'\bid="([^"]*)"', first)

    assert len(ids) == len(set(ids))
    assert not set(ids) & set(re.findall(r'\bid="([^"]*)"', second))
    named = re.findall(r'(?:href="#|url\(#)([^")]*)', first)
    assert set(named) <= set(ids)


@pytest.mark.parametrize("plot", PLOTS)
def test_the_same_rows_give_the_same_bytes(plot: Callable[[str], str]):
    assert plot("one") == plot("one")


def test_numbers_and_names_are_in_the_description():
    told = ET.fromstring(finishes("one")).findtext(f"{SVG}desc")

    assert told is not None
    assert "26-001: 2026-06-11 to 2026-07-11, half by 2026-06-21, promised 2026-06-26" in told
    assert "26-<2>" in told


def luminance(color: str) -> float:
    """Relative luminance: WCAG 2.2, definition of the term."""
    parts = [int(color[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


@pytest.mark.parametrize("color", [plots.INK, plots.QUIET, plots.BLUE, plots.RED])
def test_every_color_stands_out_from_white(color: str):
    """WCAG 2.2, 1.4.3: text needs a contrast of 4.5 to 1, so graphics have it too."""
    assert 1.05 / (luminance(color) + 0.05) >= 4.5
