"""What a browser sends from the job page, as dictionaries."""

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

from django.forms.models import model_to_dict
from django.urls import reverse
from django.utils import timezone

from jobs.models import Job
from tests import factories

ADD = reverse("admin:jobs_job_add")
BUILDING = {
    "use": "SHOP",
    "width_ft": "30",
    "length_ft": "40",
    "eave_ft": "10",
    "pitch_in_12": "4",
    "bay_ft": "8",
    "truss_spacing_ft": "8",
    "end_spacing_ft": "10",
    "overhang_ft": "1",
    "gable_overhang_ft": "1",
    "foundation": "PRECAST_PIER",
    "soil": "GOOD",
    "hole_depth_in": "48",
    "pier_diameter_in": "18",
    "pad_in": "6",
    "collar_in": "18",
    "slab_in": "0",
    "post_kind": "AUTO",
    "roof_gauge": "29",
    "wall_gauge": "29",
    "wainscot_ft": "0",
    "insulation": "NONE",
    "wall_lining": "NONE",
    "ceiling_lining": "NONE",
    "liner_gauge": "29",
}


def job_data(
    *,
    openings: Sequence[dict[str, str]] = (),
    lean_tos: Sequence[dict[str, str]] = (),
    authority: str | None = None,
    **changes: str,
) -> dict[str, str]:
    """Return the fields of a new job that can be built; say only what differs."""
    today = timezone.localdate()
    if authority is None:
        authority = str(factories.AuthorityFactory().pk)
    data = {
        **BUILDING,
        "number": "26-900",
        "status": "SIGNED",
        "sold_on": today.isoformat(),
        "contract_value_usd": "48500",
        "promised_on": (today + timedelta(days=90)).isoformat(),
        "promise_weight": "1",
        "buyer_name": "Ada Quill",
        "site_address": "12 Fence Row Road",
        "site_town": "Millbrook Corner",
        "site_county": "Harrow County",
        "site_state": "OH",
        "drive_minutes": "30",
        **_rows("openings", openings),
        **_rows("lean_tos", lean_tos),
        **_rows("permit", [{"authority": authority}]),
        **_rows("locate_tickets", ()),
        **_rows("deliveries", ()),
    }
    return {**data, **changes}


def row_data(job: Job, **changes: str) -> dict[str, str]:
    """Return what the page of a stored job sends back, with changes."""
    data = _texts(model_to_dict(job))
    for prefix, rows in (
        ("openings", job.openings.order_by("id")),
        ("lean_tos", job.lean_tos.order_by("id")),
        ("locate_tickets", job.locate_tickets.order_by("id")),
        ("deliveries", job.deliveries.order_by("id")),
        ("phases", job.phases.order_by("sequence", "id")),
    ):
        data.update(_rows(prefix, [_texts(model_to_dict(row)) for row in rows], stored=True))
    data.update(_rows("permit", [_texts(model_to_dict(job.permit))], stored=True))
    return {**data, **changes}


def _rows(prefix: str, rows: Sequence[dict[str, str]], *, stored: bool = False) -> dict[str, str]:
    data = {
        f"{prefix}-TOTAL_FORMS": str(len(rows)),
        f"{prefix}-INITIAL_FORMS": str(len(rows) if stored else 0),
    }
    for number, row in enumerate(rows):
        data.update({f"{prefix}-{number}-{name}": value for name, value in row.items()})
    return data


def _texts(values: dict[str, Any]) -> dict[str, str]:
    return {
        name: "on" if value is True else str(value)
        for name, value in values.items()
        if value is not None and value is not False
    }
