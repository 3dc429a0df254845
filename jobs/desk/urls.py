"""Addresses of the office's day, below the admin's own."""

from django.urls import path

from jobs.desk import draft, look_ahead, morning, rain

app_name = "desk"
urlpatterns = [
    path("", morning.page, name="morning"),
    path("draft/", draft.draft, name="draft"),
    path("draft/<int:plan_id>/publish-part/", draft.publish_part, name="publish_part"),
    path("rain/", rain.page, name="rain"),
    path("look-ahead/", look_ahead.page, name="look_ahead"),
    path("look-ahead.pdf", look_ahead.pdf, name="look_ahead_pdf"),
]
