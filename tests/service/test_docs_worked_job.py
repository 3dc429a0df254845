"""The job worked by hand in the documents: every figure in its tables is what the program gives."""

import re
from collections.abc import Sequence
from datetime import datetime
from math import ceil
from pathlib import Path

import pytest
from django.utils import timezone

from contractor.trade.building import Building
from contractor.trade.cure import age_hours_for_share
from contractor.trade.ground import FOOTING_DEPTH_FT, ground_temps_degc
from contractor.trade.kinds import Foundation, Use
from contractor.trade.labor import phase_labor, total_hours
from contractor.trade.phase_table import PHASE_TABLE
from contractor.trade.phases import COLLAR_CURE, GIRT_CURE, PAD_CURE, CureNeed
from contractor.trade.takeoff import take_off
from contractor.trade.units import degc_to_degf
from crews.models import Firm
from jobs.models import Booking, Plan
from jobs.services import planning
from tests.curing import equivalent_age_hours, hours_to_strength
from tests.factories import AuthorityFactory
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job

PAGE = (Path(__file__).resolve().parents[2] / "docs/worked-job.md").read_text()
SIZES = {"width_ft": 40, "length_ft": 60, "eave_ft": 12}
PEOPLE = 4
# What concrete waits for, with the hour from which its clock runs, in standard time.
CURES = {
    "Pads": (PAD_CURE, datetime(2026, 6, 2, 13)),
    "Collars, for girts": (GIRT_CURE, datetime(2026, 6, 4, 12)),
    "Collars, for trusses": (COLLAR_CURE, datetime(2026, 6, 4, 12)),
}


def shop() -> Building:
    return Building(use=Use.SHOP, foundation=Foundation.POURED_PIER, **SIZES)


def printed(heading: str) -> list[str]:
    """Return the rows of the table below a heading, without its head."""
    section = PAGE.split(f"## {heading}\n")[1].split("\n## ")[0]
    return re.findall(r"^\| .* \|$", section, re.MULTILINE)[1:]


def row(*cells: object) -> str:
    return f"| {' | '.join(str(cell) for cell in cells)} |"


def moment(at: datetime) -> str:
    local = timezone.localtime(at)
    return f"{local:%a %b} {local.day}, {local.hour}:{local:%M}"


def quarter_hours(hours: float) -> float:
    """Return hours up to the next quarter hour, as the planner's time goes."""
    return ceil(hours * 4 - 1e-9) / 4


def test_the_quantities_of_the_worked_job() -> None:
    assert printed("1. Quantities") == [
        row(line.label, line.arithmetic, line.unit) for line in take_off(shop()).lines
    ]


def test_the_hours_of_the_worked_job() -> None:
    labor = phase_labor(building=shop(), take_off=take_off(shop()))

    assert printed("2. Hours") == [
        row(
            PHASE_TABLE[phase.phase].label,
            phase.arithmetic,
            f"{phase.hours / PEOPLE:.2f}",
            f"{quarter_hours(phase.hours / PEOPLE):g}",
        )
        for phase in labor
    ]
    assert f"{total_hours(labor):.0f} labor hours" in PAGE
    crews = sum(quarter_hours(phase.hours / PEOPLE) for phase in labor)
    assert f"takes the crew {crews:g} hours of work" in PAGE


def cure_row(name: str, need: CureNeed, first_hour: datetime) -> str:
    """Return the line of one wait for strength, with its age around the hour that ends it."""
    climate = Firm._meta.get_field("month_temperatures_degf").default
    ground = ground_temps_degc(
        monthly_mean_degf=[float(mean) for mean in climate.split()],
        depth_ft=FOOTING_DEPTH_FT,
        first_hour=first_hour,
        hours=500,
    )
    asked = age_hours_for_share(share=need.strength_share, cement=need.cement)
    waited = hours_to_strength(
        share=need.strength_share,
        cement=need.cement,
        temps_degc_by_hour=ground,
        minimum_hours=need.minimum_hours,
    )
    hours = int(waited)
    ages = [equivalent_age_hours(ground[:n]) for n in (hours - 1, hours)]
    mean = float(degc_to_degf(ground[:hours].mean()))
    return row(
        name,
        f"{need.strength_share:.0%}".replace("%", " %"),
        f"{asked:.3f} h",
        f"{mean:.1f} °F",
        f"{ages[0]:.3f} h after {hours - 1}, {ages[1]:.3f} h after {hours}",
        f"{hours} h",
    )


def test_the_cures_of_the_worked_job() -> None:
    assert printed("3. Concrete") == [cure_row(name, *of) for name, of in CURES.items()]


@pytest.fixture
def plan(db: None) -> Plan:
    make_firm(crews=1)
    job = make_job(
        **SIZES, foundation="POURED_PIER", authority=AuthorityFactory(name="Harrow County")
    )
    cover_digging(job)
    return planning.plan_now(now=MONDAY, budget_seconds=0)


def bookings(plan: Plan) -> Sequence[Booking]:
    return Booking.objects.filter(plan=plan).select_related("phase").order_by("starts_at", "pk")


def test_the_dates_of_the_worked_job(plan: Plan) -> None:
    assert printed("4. Dates") == [
        row(
            PHASE_TABLE[booking.phase.code].label,
            moment(booking.starts_at),
            moment(booking.ends_at),
            booking.because,
        )
        for booking in bookings(plan)
    ]


def test_the_waits_of_the_worked_job(plan: Plan) -> None:
    assert printed("5. Waits") == [
        row(
            f"{PHASE_TABLE[wait.after_code].label} to {PHASE_TABLE[wait.before_code].label}",
            moment(wait.starts_at),
            moment(wait.ends_at),
            wait.basis,
        )
        for wait in plan.waits.order_by("starts_at", "pk")
    ]
