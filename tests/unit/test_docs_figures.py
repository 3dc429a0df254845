"""Figures of the trade that documents tell are those that the code counts by."""

import re
from dataclasses import fields
from pathlib import Path

import pytest

from contractor.trade import labor
from contractor.trade.kinds import Soil
from contractor.trade.lead_times import STARTER_LEAD_TIMES, LeadTime
from contractor.trade.phases import CURE_LINKS, PHASE_TABLE
from contractor.trade.weather import STARTER_LIMITS, WeatherGate, WeatherLimits

DOCS = Path(__file__).resolve().parents[2] / "docs"
ITEMS = {"WINDOWS_AND_DOORS": "windows and walk doors", "STEEL": "steel and trim"}
GATES = {
    "POUR": "pads",
    "POSTS": "collars",
    "SLAB": "slab",
}
FOLLOWERS = {"FRAME": "frame walls", "TRUSSES": "trusses", "POSTS": "set posts"}


def page(name: str) -> str:
    return (DOCS / name).read_text()


def lead_time_row(time: LeadTime) -> str:
    item = ITEMS.get(time.item, time.item.lower().replace("_", " "))
    kind = f", {time.post_kind.lower()}" if time.post_kind else ""
    span = ""
    if time.over_span_ft and time.to_span_ft:
        span = f" over {time.over_span_ft:g} to {time.to_span_ft:g} ft"
    elif time.over_span_ft or time.to_span_ft:
        span = f" over {time.over_span_ft:g} ft" if time.over_span_ft else ""
        span = span or f" to {time.to_span_ft:g} ft"
    return f"| {item}{kind}{span} | {time.days} |"


def test_every_lead_time_is_told() -> None:
    told = page("deliveries.md")

    assert [row for row in map(lead_time_row, STARTER_LEAD_TIMES) if row not in told] == []


@pytest.mark.parametrize("pair", CURE_LINKS, ids=" to ".join)
def test_every_gate_of_concrete_is_told_with_its_share_and_hours(pair: tuple[str, str]) -> None:
    before, after = pair
    need = CURE_LINKS[pair]
    follower = FOLLOWERS.get(after, PHASE_TABLE[after].label.lower().removeprefix("steel "))
    rows = re.findall(r"^\| (.*?) \| (.*?) \| (\d+) % \| (\d+) h \|$", page("concrete.md"), re.M)

    told = [
        (share, hours)
        for poured, waits, share, hours in rows
        if poured.startswith(GATES[before]) and follower in waits
    ]

    assert told == [(f"{need.strength_share * 100:g}", f"{need.minimum_hours:g}")]


def limits_of(limits: WeatherLimits) -> list[str]:
    """Return the numbers of a gate as a page writes them."""
    values = [getattr(limits, field.name) for field in fields(limits)]
    return [f"{v:.2f}" if 0 < v < 0.3 else f"{v:g}" for v in values if type(v) is float]


@pytest.mark.parametrize("gate", [gate for gate in WeatherGate if gate], ids=str)
def test_every_weather_limit_is_told(gate: WeatherGate) -> None:
    row = re.search(rf"^\| {gate.label.lower()} \|.*$", page("weather.md"), re.M)

    assert row is not None
    assert [n for n in limits_of(STARTER_LIMITS[gate]) if not re.search(rf"\b{n}\b", row[0])] == []


def test_the_factors_of_labor_hours_are_told() -> None:
    told = page("planning.md")
    soil = [f"{labor.SOIL_FACTORS[kind]:g}" for kind in (Soil.GOOD, Soil.HARD, Soil.ROCK)]

    assert "{} in good soil, {} in hard clay or roots, {} in rock".format(*soil) in told
    for steps in (labor._POST_STEPS, labor._WALL_STEPS):
        first, *others = [(f"{value:g}", f"{eave:g}") for eave, value in reversed(steps)]
        words = [f"{first[0]} from an eave of {first[1]} ft"]
        words += [f"{value} from {eave}" for value, eave in others]
        assert ", ".join(words) in told
    assert f"| {labor.EXTENSION_FACTOR:g} | common practice, no source |" in told
