"""Addresses of the crews' phone pages."""

from django.urls import path

from crews.phone import pages, report_urls

app_name = "phone"

urlpatterns = [
    path("", pages.week, name="week"),
    path("phases/<int:phase_id>/", pages.phase, name="phase"),
    path("photos/<int:photo_id>.jpg", pages.photo, name="photo"),
    path("enroll/<str:key>/", pages.enroll, name="enroll"),
    *report_urls.urlpatterns,
]
