"""Who may do what: three groups, made once, and the API's door rule."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.contrib.auth.models import Group, Permission
from rest_framework.permissions import SAFE_METHODS, BasePermission

if TYPE_CHECKING:
    from rest_framework.request import Request

OFFICE = "Office"
OWNER = "Owner"
CREW_LEAD = "Crew lead"

OFFICE_APPS = ("jobs", "crews", "inspections")
# Plans and what hangs on them are made by planning and publishing, never typed.
MADE_BY_PLANNING = ("plan", "booking", "plannedwait", "planrequest", "heartbeat", "feedevent")
# Slips and what is told of them come from comparing; the office names a cause and decides.
MADE_BY_COMPARING = ("knownfacts", "slip", "slipstep", "replanproposal", "notice", "taskrequest")
# Facts and the record of changes: added by services, never changed or deleted by anyone.
ADDED_ONLY = ("fieldreport", "reportphoto", "change", "inspectionevent")


def ensure_groups() -> None:
    """Write the groups with their permissions; calling it again puts them right."""
    ours = Permission.objects.filter(content_type__app_label__in=OFFICE_APPS)
    views = ours.filter(codename__startswith="view_")
    typed = ours.exclude(
        content_type__model__in=(*MADE_BY_PLANNING, *MADE_BY_COMPARING, *ADDED_ONLY)
    )
    publish = ours.filter(codename__in=("change_plan", "change_slip", "add_fieldreport"))
    office, _ = Group.objects.get_or_create(name=OFFICE)
    office.permissions.set([*typed, *views, *publish])
    owner, _ = Group.objects.get_or_create(name=OWNER)
    owner.permissions.set(views)
    Group.objects.get_or_create(name=CREW_LEAD)


class OwnerReads(BasePermission):
    """The API opens to the owner and the office, for reading and for answers that store nothing."""

    message = "This API is for the owner and the office. Ask the office to add you to a group."

    def has_permission(self, request: Request, view: Any) -> bool:
        """Return whether the signed-in person may use this view in this way."""
        user = request.user
        if not user or not user.is_authenticated or not user.is_active:
            return False
        stores_nothing = request.method in SAFE_METHODS or getattr(view, "stores_nothing", False)
        if not stores_nothing:
            return False
        return user.is_superuser or user.groups.filter(name__in=(OWNER, OFFICE)).exists()


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
