"""Rows for tests: each factory gives a valid row of an invented firm; say only what matters."""

from collections.abc import Callable
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import factory
from django.conf import settings
from django.contrib.auth.models import Group

from contractor import roles
from crews.models import Crew, DayOff, Equipment, FeedEvent, Firm, WorkHours
from inspections.models import Authority, LocateTicket, Permit, Pour, WeatherArea
from jobs.models import Delivery, Job, Phase

WEEKDAY_SHIFT = "07:00-15:30"


class FirmFactory(factory.django.DjangoModelFactory[Firm]):
    class Meta:
        model = Firm

    name = "Plumb Line Post Frame"
    county = "Harrow County"
    state = "OH"


class WorkHoursFactory(factory.django.DjangoModelFactory[WorkHours]):
    """Monday to Friday, 8.5 hours at the yard."""

    class Meta:
        model = WorkHours

    name = factory.Sequence(lambda n: f"Week {n}")
    monday = WEEKDAY_SHIFT
    tuesday = WEEKDAY_SHIFT
    wednesday = WEEKDAY_SHIFT
    thursday = WEEKDAY_SHIFT
    friday = WEEKDAY_SHIFT


class CrewFactory(factory.django.DjangoModelFactory[Crew]):
    """A crew of four that does everything."""

    class Meta:
        model = Crew

    name = factory.Sequence(lambda n: f"Crew {n}")
    lead_name = factory.Sequence(lambda n: f"Lead {n}")
    size = 4
    skills = factory.LazyFunction(lambda: list(Crew.Skill.values))
    work_hours = factory.SubFactory(WorkHoursFactory)


class EquipmentFactory(factory.django.DjangoModelFactory[Equipment]):
    class Meta:
        model = Equipment

    name = factory.Sequence(lambda n: f"Machine {n}")
    kind = Equipment.Kind.AUGER


class DayOffFactory(factory.django.DjangoModelFactory[DayOff]):
    """A day off for everyone; pass crew= or equipment= for one of them."""

    class Meta:
        model = DayOff

    first_day = date(2026, 11, 27)
    last_day = factory.SelfAttribute("first_day")
    reason = "Day after Thanksgiving"


class FeedEventFactory(factory.django.DjangoModelFactory[FeedEvent]):
    """A day and a half of framing in June 2026, eastern time."""

    class Meta:
        model = FeedEvent

    crew = factory.SubFactory(CrewFactory)
    source = factory.Sequence(lambda n: f"phase:{n}")
    starts_at = datetime(2026, 6, 8, 11, tzinfo=UTC)
    ends_at = datetime(2026, 6, 9, 16, tzinfo=UTC)
    summary = "Frame – Job 26-001"
    revised_at = datetime(2026, 6, 1, 12, tzinfo=UTC)


class JobFactory(factory.django.DjangoModelFactory[Job]):
    """A 30×40 shop on precast piers, 10 ft to the eave."""

    class Meta:
        model = Job

    number = factory.Sequence(lambda n: f"26-{n:03d}")
    sold_on = date(2026, 3, 2)
    promised_on = date(2026, 7, 31)
    contract_value_usd = Decimal("48500.00")
    buyer_name = factory.Sequence(lambda n: f"Buyer {n}")
    site_address = factory.Sequence(lambda n: f"{100 + n} Fence Row Road")
    site_town = "Millbrook Corner"
    site_county = "Harrow County"
    site_state = "OH"
    width_ft = 30
    length_ft = 40
    eave_ft = 10


class PhaseFactory(factory.django.DjangoModelFactory[Phase]):
    class Meta:
        model = Phase

    job = factory.SubFactory(JobFactory)
    code = "FRAME"
    sequence = 6
    labor_hours = 32.0


class AuthorityFactory(factory.django.DjangoModelFactory[Authority]):
    class Meta:
        model = Authority

    name = factory.Sequence(lambda n: f"Harrow County Building Office {n}")
    county = "Harrow County"
    state = "OH"


class PermitFactory(factory.django.DjangoModelFactory[Permit]):
    """A permit in hand."""

    class Meta:
        model = Permit

    job = factory.SubFactory(JobFactory)
    authority = factory.SubFactory(AuthorityFactory)
    number = factory.Sequence(lambda n: f"P-{n:05d}")
    applied_on = date(2026, 3, 9)
    issued_on = date(2026, 3, 30)


class LocateTicketFactory(factory.django.DjangoModelFactory[LocateTicket]):
    class Meta:
        model = LocateTicket

    job = factory.SubFactory(JobFactory)
    number = factory.Sequence(lambda n: f"T-{n:06d}")
    called_on = date(2026, 6, 1)
    dig_from = date(2026, 6, 4)
    expires_on = date(2026, 6, 19)


class DeliveryFactory(factory.django.DjangoModelFactory[Delivery]):
    class Meta:
        model = Delivery

    job = factory.SubFactory(JobFactory)
    item = Delivery.Item.TRUSSES
    ordered_on = date(2026, 4, 1)
    promised_on = date(2026, 6, 10)


class WeatherAreaFactory(factory.django.DjangoModelFactory[WeatherArea]):
    """The default area, where the months take no allowance and nothing is fetched."""

    class Meta:
        model = WeatherArea

    name = factory.Sequence(lambda n: f"Harrow Plain {n}")
    is_default = True
    rain_days_010 = rain_days_025 = rain_days_050 = windy_days = "0 0 0 0 0 0 0 0 0 0 0 0"


class PourFactory(factory.django.DjangoModelFactory[Pour]):
    """Collars of an ordinary mix, poured one morning in June 2026, eastern time."""

    class Meta:
        model = Pour

    phase = factory.SubFactory(PhaseFactory, code="POSTS", job__foundation="POURED_PIER")
    poured_at = datetime(2026, 6, 1, 14, tzinfo=UTC)


def _join(role: str) -> Callable[..., None]:
    """Return a step that puts a user into the group of that name, permissions and all."""

    # The groups are there since `migrate`. Putting them right for each user takes 30 queries.
    def join(user: Any, create: bool, extracted: object, **kwargs: object) -> None:
        if create:
            user.groups.add(Group.objects.get(name=role))

    return join


class StrangerFactory(factory.django.DjangoModelFactory[Any]):
    """Someone who can sign in and has no role."""

    class Meta:
        model = settings.AUTH_USER_MODEL
        skip_postgeneration_save = True

    username = factory.Sequence(lambda n: f"user{n}")


class OfficeFactory(StrangerFactory):
    is_staff = True
    role = factory.PostGeneration(_join(roles.OFFICE))


class OwnerFactory(StrangerFactory):
    is_staff = True
    role = factory.PostGeneration(_join(roles.OWNER))


class SellerFactory(StrangerFactory):
    is_staff = True
    role = factory.PostGeneration(_join(roles.SELLER))


class ReadOnlyFactory(StrangerFactory):
    is_staff = True
    role = factory.PostGeneration(_join(roles.READ_ONLY))


class CrewLeadFactory(StrangerFactory):
    role = factory.PostGeneration(_join(roles.CREW_LEAD))
