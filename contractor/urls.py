"""Every URL of the service."""

from django.contrib import admin
from django.urls import URLPattern, URLResolver, include, path, re_path
from django.views.generic import RedirectView

from contractor.health import views as health
from jobs.api.base import no_such_address

urlpatterns: list[URLPattern | URLResolver] = [
    path("", RedirectView.as_view(pattern_name="admin:index")),
    path("admin/board/", include("jobs.board.urls")),
    path("admin/desk/", include("jobs.desk.urls")),
    path("admin/health/", admin.site.admin_view(health.page), name="health_page"),
    path(
        "admin/health/again/<slug:what>/",
        admin.site.admin_view(health.again),
        name="health_again",
    ),
    path("admin/", admin.site.urls),
    path("api/v1/", include("jobs.urls")),
    # A program that asks beside the API reads the same shape of error as in it.
    re_path(r"^api/(?:.*/)?$", no_such_address),
    path("health/", health.health, name="health"),
    path("buyer/", include("jobs.buyer.urls")),
    path("phone/", include("crews.phone.urls")),
    path("", include("crews.urls")),
]

handler400 = "contractor.request_rules.bad_request"
handler500 = "contractor.request_rules.server_error"
