"""Addresses of the crews' calendars."""

from django.urls import path

from crews import views

app_name = "crews"

urlpatterns = [
    path("feeds/<str:token>.ics", views.feed, name="feed"),
    path("feeds/<str:token>/", views.subscribe_help, name="subscribe"),
]
