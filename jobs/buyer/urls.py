"""Addresses of the buyer's page."""

from django.urls import path

from jobs.buyer import pages

app_name = "buyer"
urlpatterns = [
    path("<str:token>/", pages.page, name="page"),
    path("<str:token>/photos/<int:photo_id>/", pages.photo, name="photo"),
]
