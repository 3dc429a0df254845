"""Addresses by which a phone reports and works without signal."""

from django.urls import path

from crews.phone import offline, reporting

urlpatterns = [
    path("reports/", reporting.reports, name="reports"),
    path("reports/form/", reporting.form, name="report-form"),
    path("reports/<uuid:report_id>/photos/", reporting.photo, name="report-photo"),
    path("sw.js", offline.worker, name="worker"),
    path("manifest.webmanifest", offline.manifest, name="manifest"),
    path("offline/", offline.offline, name="offline"),
]
