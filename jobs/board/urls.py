"""Addresses of the board, below the admin's own."""

from django.urls import path

from jobs.board import moving, views

app_name = "board"
urlpatterns = [
    path("", views.index, name="index"),
    path("grid/", views.grid, name="grid"),
    path("version/", views.version, name="version"),
    path("phases/<int:phase_id>/", views.pick, name="pick"),
    path("gaps/", views.next_gaps, name="gaps"),
    path("try/", moving.try_it, name="try"),
    path("accept/", moving.accept, name="accept"),
    path("moves/<int:move_id>/undo/", moving.undo, name="undo"),
]
