"""
Who may do what: five groups, put right at every `migrate`, and the API's door rules.

docs/roles.md has it as one table, each cell of which is tested.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.contrib.auth.models import Group, Permission
from rest_framework.permissions import SAFE_METHODS, BasePermission

if TYPE_CHECKING:
    from django.db.models import QuerySet
    from rest_framework.request import Request

OFFICE = "Office"
OWNER = "Owner"
CREW_LEAD = "Crew lead"
SELLER = "Seller"
READ_ONLY = "Read-only"

READ_FIRM = "jobs.read_firm"
"""The permission to read the firm's figures, on the owner's page and by the API."""
SELL = "jobs.add_job"

OFFICE_APPS = ("jobs", "crews", "inspections")
# Plans and what hangs on them are made by planning and publishing, never typed.
MADE_BY_PLANNING = (
    *("plan", "booking", "plannedwait", "planrequest", "heartbeat", "feedevent", "boardmove"),
)
# Slips and what is told of them come from comparing; the office names a cause and decides.
MADE_BY_COMPARING = ("knownfacts", "slip", "slipstep", "replanproposal", "notice", "taskrequest")
# Facts and the record of changes: added by services, never changed or deleted by anyone.
ADDED_ONLY = ("fieldreport", "reportphoto", "change", "inspectionevent")
# Rows behind which stands a key or an address of a person.
KEYS = ("feedsubscription", "phone", "buyerlink", "apitoken", "failedsignin")
# What someone who only looks has no use for: keys, and what was written to whom.
NOT_FOR_READERS = (*KEYS, "notice", "taskrequest", "checkedfile")
# What a seller reads to answer "when?".
SELLER_READS = (
    *("job", "opening", "leanto", "phase", "delivery", "inspection", "callback"),
    *("plan", "booking", "plannedwait", "forecast", "jobforecast", "phaseforecast"),
)
SELLER_ADDS = ("job", "opening", "leanto")


def ensure_groups() -> None:
    """Write the groups with their permissions; calling it again puts them right."""
    ours = Permission.objects.filter(content_type__app_label__in=OFFICE_APPS)
    views = ours.filter(codename__startswith="view_")
    typed = ours.exclude(
        content_type__model__in=(*MADE_BY_PLANNING, *MADE_BY_COMPARING, *ADDED_ONLY, *KEYS)
    )
    decides = ours.filter(codename__in=("change_plan", "change_slip", "add_fieldreport"))
    keys = _of(ours, ("feedsubscription", "phone", "buyerlink"))
    tokens = ours.filter(codename__in=("add_apitoken", "change_apitoken", "read_firm"))
    unlocks = ours.filter(codename="delete_failedsignin")
    for name, rights in {
        OFFICE: [*typed, *views, *decides, *keys, *tokens, *unlocks],
        OWNER: [*views, *tokens],
        SELLER: [*_of(views, SELLER_READS), *_of(ours, SELLER_ADDS, "add_")],
        READ_ONLY: list(views.exclude(content_type__model__in=NOT_FOR_READERS)),
        CREW_LEAD: [],
    }.items():
        group, _ = Group.objects.get_or_create(name=name)
        group.permissions.set(rights)


def _of(
    rights: QuerySet[Permission], models: tuple[str, ...], verb: str = ""
) -> QuerySet[Permission]:
    return rights.filter(content_type__model__in=models, codename__startswith=verb)


class OwnerReads(BasePermission):
    """
    The API opens to the owner and the office, for reading and for answers that store nothing.

    A view with `opens_to_sellers` also opens to those who sell.
    """

    message = "This API is for the owner and the office. Ask the office to add you to a group."

    def has_permission(self, request: Request, view: Any) -> bool:
        """Return whether the signed-in person may use this view in this way."""
        user = request.user
        if not user or not user.is_authenticated or not user.is_active:
            return False
        stores_nothing = request.method in SAFE_METHODS or getattr(view, "stores_nothing", False)
        if not stores_nothing:
            return False
        sells = getattr(view, "opens_to_sellers", False) and user.has_perm(SELL)
        return sells or user.has_perm(READ_FIRM)


class SiteReports(BasePermission):
    """Field reports open to crew leads and the office, and to the owner for reading."""

    message = "Reports are for crew leads and the office. Ask the office to add you to a group."

    def has_permission(self, request: Request, view: Any) -> bool:
        """Return whether the signed-in person may report, or read what was reported."""
        user = request.user
        if not user or not user.is_authenticated or not user.is_active:
            return False
        readers = (OWNER,) if request.method in SAFE_METHODS else ()
        groups = (CREW_LEAD, OFFICE, *readers)
        return user.is_superuser or user.groups.filter(name__in=groups).exists()
