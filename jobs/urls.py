"""The owner's API, version 1."""

from django.urls import URLPattern, URLResolver, path, re_path
from django.views.generic import RedirectView

from jobs.api.base import SchemaRead, no_such_address, without_slash
from jobs.api.crew_time import CallbackList, DayOffList, LentPeopleList, SetAsideList
from jobs.api.firm import BacklogRead, CrewList
from jobs.api.forecasts import CalibrationRead, ForecastList
from jobs.api.holds import CallAheadRead, HoldList, TicketWarningList
from jobs.api.inspections import InspectionList
from jobs.api.jobs import JobDetail, JobList
from jobs.api.learning import FinishedWorkList, LearningList
from jobs.api.phases import PhaseDetail, PhaseList
from jobs.api.plans import BookingList, PlanComparison, PlanDetail, PlanList
from jobs.api.pours import JobPours
from jobs.api.ppc import PpcRead
from jobs.api.reports import PhotoRead, PhotoUpload, Reports
from jobs.api.slips import SlipList
from jobs.api.start_dates import StartDates
from jobs.api.take_off import TakeOffAnswer
from jobs.api.weather import StoppedCrewList, WeatherList
from jobs.api.what_if import PlanCrews, WhatIfAnswer

app_name = "api"
urlpatterns: list[URLPattern | URLResolver] = [
    path("", RedirectView.as_view(pattern_name="api:schema"), name="index"),
    path("jobs/", JobList.as_view(), name="jobs"),
    path("jobs/<slug:number>/", JobDetail.as_view(), name="job"),
    path("jobs/<slug:number>/pours/", JobPours.as_view(), name="job-pours"),
    path("phases/", PhaseList.as_view(), name="phases"),
    path("phases/<int:phase_id>/", PhaseDetail.as_view(), name="phase"),
    path("backlog/", BacklogRead.as_view(), name="backlog"),
    path("crews/", CrewList.as_view(), name="crews"),
    path("days-off/", DayOffList.as_view(), name="days-off"),
    path("lent-people/", LentPeopleList.as_view(), name="lent-people"),
    path("set-aside/", SetAsideList.as_view(), name="set-aside"),
    path("callbacks/", CallbackList.as_view(), name="callbacks"),
    path("plans/", PlanList.as_view(), name="plans"),
    path("plans/<int:plan_id>/", PlanDetail.as_view(), name="plan"),
    path("plans/<int:plan_id>/comparison/", PlanComparison.as_view(), name="comparison"),
    path("plans/<int:plan_id>/crews/", PlanCrews.as_view(), name="plan-crews"),
    path("bookings/", BookingList.as_view(), name="bookings"),
    path("reports/", Reports.as_view(), name="reports"),
    path("reports/<uuid:report_id>/photos/", PhotoUpload.as_view(), name="report-photos"),
    path("reports/photos/<int:photo_id>/", PhotoRead.as_view(), name="report-photo"),
    path("ppc/", PpcRead.as_view(), name="ppc"),
    path("holds/", HoldList.as_view(), name="holds"),
    path("inspections/", InspectionList.as_view(), name="inspections"),
    path("ticket-warnings/", TicketWarningList.as_view(), name="ticket-warnings"),
    path("call-ahead/", CallAheadRead.as_view(), name="call-ahead"),
    path("weather/", WeatherList.as_view(), name="weather"),
    path("stopped-crews/", StoppedCrewList.as_view(), name="stopped-crews"),
    path("forecasts/", ForecastList.as_view(), name="forecasts"),
    path("calibration/", CalibrationRead.as_view(), name="calibration"),
    path("learning/", LearningList.as_view(), name="learning"),
    path("learning/finished/", FinishedWorkList.as_view(), name="learning-finished"),
    path("slips/", SlipList.as_view(), name="slips"),
    path("start-dates/", StartDates.as_view(), name="start-dates"),
    path("take-off/", TakeOffAnswer.as_view(), name="take-off"),
    path("what-if/", WhatIfAnswer.as_view(), name="what-if"),
    path("schema/", SchemaRead.as_view(), name="schema"),
    re_path(r"^.*/$", no_such_address),
    re_path(r"^.*[^/]$", without_slash),
]
