"""The page of files in and out: a dry run with every row's fate, then loading what was checked."""

from __future__ import annotations

import csv
import io
import zipfile
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any
from uuid import UUID

from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.http import HttpResponse
from django.shortcuts import redirect
from django.template.response import TemplateResponse
from django.urls import path
from django.utils import timezone

from jobs.admin.words import count
from jobs.models import CheckedFile
from jobs.services.dumping import dump, dump_workbook
from jobs.services.importing import DryRun, Fate, ImportRefused, dry_run, load_checked
from jobs.services.loading import LoadFailed
from jobs.services.loading_files import protect
from jobs.services.loading_tables import TABLES

if TYPE_CHECKING:
    from django.http import HttpRequest
    from django.urls import URLPattern

# Beyond this a page is no help; the file of all fates has every row.
MOST_SHOWN = 300
# Files hold crews, authorities and reports beside jobs: all of these are needed to load them.
MAY_LOAD = ("jobs.add_job", "crews.add_crew", "inspections.add_permit", "jobs.change_phase")
MAY_READ = ("jobs.view_job", "crews.view_crew", "inspections.view_permit", "jobs.view_fieldreport")
WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


@admin.register(CheckedFile)
class CheckedFileAdmin(admin.ModelAdmin):
    """Files in and out; what was checked is kept for a day, and shown to nobody but its page."""

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Hide the kept files themselves; their page is reached by its own address."""
        return False

    has_change_permission = has_delete_permission = has_view_permission

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Refuse files that no dry run has checked."""
        return False

    def get_urls(self) -> list[URLPattern]:
        """Return the addresses of the page, of loading, and of the files out."""
        view = self.admin_site.admin_view
        return [
            path("import/", view(self.import_page), name="jobs_import"),
            path("import/<uuid:batch>/", view(self.load), name="jobs_import_load"),
            path("export/<str:form>/", view(self.export), name="jobs_export"),
        ]

    def import_page(self, request: HttpRequest) -> HttpResponse:
        """Show what loading the chosen files would do."""
        _need(request, MAY_LOAD)
        found = None
        if request.method == "POST":
            chosen = request.FILES.getlist("files")
            try:
                if len({file.name for file in chosen}) < len(chosen):
                    raise ImportRefused("Two files have the same name. Choose each once.")
                files = {str(file.name): file.read() for file in chosen}
                found = dry_run(files=files, now=timezone.now(), by=request.user)
            except ImportRefused as refused:
                messages.error(request, str(refused))
        if found is not None and "all" in request.POST:
            return _fates_file(found)
        context = {
            **self.admin_site.each_context(request),
            "title": "Import and export",
            "opts": self.opts,
            "kinds": list(TABLES),
            "may_export": all(request.user.has_perm(need) for need in MAY_READ),
            **(_shown(found) if found is not None else {}),
        }
        return TemplateResponse(request, "admin/jobs/import.html", context)

    def load(self, request: HttpRequest, batch: UUID) -> HttpResponse:
        """Load the files that were checked."""
        _need(request, MAY_LOAD)
        if request.method != "POST":
            return redirect("admin:jobs_import")
        try:
            report = load_checked(batch=batch, now=timezone.now(), by=request.user)
        except ImportRefused as refused:
            messages.error(request, str(refused))
        except LoadFailed as failed:
            messages.error(
                request,
                "The database has changed since, so nothing was stored. Check the files once "
                f"more. {failed.errors[0]}",
            )
        else:
            told = ", ".join(f"{number} {kind}" for kind, number in report.counts.items())
            messages.success(request, f"Loaded: {told}. Ask for a plan to give new work its dates.")
        return redirect("admin:jobs_import")

    def export(self, request: HttpRequest, form: str) -> HttpResponse:
        """Give all files out, as a workbook or as CSV files in one archive."""
        _need(request, MAY_READ)
        day = timezone.localdate().isoformat()
        if form == "xlsx":
            return _attached(dump_workbook(), WORKBOOK, f"girtline-{day}.xlsx")
        if form == "csv":
            return _attached(_archive(), "application/zip", f"girtline-{day}.zip")
        return redirect("admin:jobs_import")


def _need(request: HttpRequest, permissions: tuple[str, ...]) -> None:
    if not all(request.user.has_perm(permission) for permission in permissions):
        raise PermissionDenied


def _shown(found: DryRun) -> dict[str, Any]:
    """Return what the page shows of a dry run: what keeps it from being loaded first."""
    bad = found.refused
    good = [row for row in found.rows if row.fate is Fate.STORED]
    return {
        "found": found,
        "bad": bad[:MOST_SHOWN],
        "good": good[:MOST_SHOWN],
        "more_bad": max(0, len(bad) - MOST_SHOWN),
        "more_good": max(0, len(good) - MOST_SHOWN),
        "bad_count": count(len(bad), "row"),
        "good_count": count(len(good), "row"),
        "unusual": sum(1 for row in good if row.told),
    }


def _fates_file(found: DryRun) -> HttpResponse:
    """Return the fate of every row as a CSV file, for sheets too long for a page."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(["file", "line", "row", "fate", "told"])
    for error in found.wrong:
        writer.writerow([protect(error.file), error.line or "", "", "refused", protect(str(error))])
    for row in found.rows:
        told = protect(" ".join(row.told))
        writer.writerow([protect(row.file), row.line, protect(row.name), row.fate.value, told])
    return _attached(out.getvalue().encode(), "text/csv; charset=utf-8", "every-row.csv")


def _archive() -> bytes:
    out = io.BytesIO()
    with TemporaryDirectory() as directory, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as all_:
        dump(directory=Path(directory))
        for file in sorted(Path(directory).iterdir()):
            all_.write(file, file.name)
    return out.getvalue()


def _attached(data: bytes, kind: str, name: str) -> HttpResponse:
    return HttpResponse(
        data,
        content_type=kind,
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )
