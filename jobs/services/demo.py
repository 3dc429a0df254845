"""The demo firm: loaded once, planned and published, with sign-ins that a visitor can use."""

import secrets
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from uuid import uuid4

from django.conf import settings
from django.contrib.auth.models import AbstractUser, Group, User
from django.db import transaction
from django.utils import timezone
from django.utils.text import slugify

from contractor import roles
from contractor.trade.causes import Cause
from crews.models import Crew, FeedCalendar, FeedSubscription, Firm
from crews.services import LinkClosedError, ensure_public_holidays, feed_url, phones, subscribe
from inspections.models import Permit
from jobs.models import (
    Booking,
    BuyerLink,
    FieldReport,
    Forecast,
    Job,
    LentPeople,
    Phase,
    Plan,
    SetAside,
)
from jobs.selectors.reports import Reporter
from jobs.services import buyer_links, proposals, slips
from jobs.services.api_tokens import make_token, token_of
from jobs.services.feed_readers import subscribe_to
from jobs.services.forecasting import forecast_now
from jobs.services.loading import load
from jobs.services.new_report import NewReport
from jobs.services.planning import plan_now
from jobs.services.publishing import publish
from jobs.services.reporting import take_report

__all__ = [
    "BASE_MONDAY",
    "SIGN_IN_ROLES",
    "SignIn",
    "arrange_days",
    "buyers_page",
    "calendars_beside_crews",
    "days_to_this_week",
    "forecast_the_plan",
    "load_firm",
    "miss_a_part",
    "owner_token",
    "phone_links",
    "publish_a_plan",
    "readers",
    "sign_ins",
]

# The Monday on which the demo's files stand still; everything in them is before or after it.
BASE_MONDAY = date(2026, 11, 23)
FIXTURES = settings.BASE_DIR / "fixtures" / "demo"
HOLIDAY_YEARS = 3
DEMO_READER = "Visitor of the demo"
# Nobody of the crew that borrows is away on these days, and the other has people to spare.
LENDS, BORROWS = "Birch crew", "Dogwood crew"
LENT_FROM, LENT_UNTIL = date(2026, 12, 1), date(2026, 12, 3)
SHOP_DAY = date(2026, 12, 10)
PART_TAKES = timedelta(days=2)
SIGN_IN_ROLES = {
    "office": roles.OFFICE,
    "owner": roles.OWNER,
    "seller": roles.SELLER,
    "reader": roles.READ_ONLY,
    "lead": roles.CREW_LEAD,
}


@dataclass(frozen=True, slots=True)
class SignIn:
    """A name to sign in with; the password is "" when it is not ours to know any more."""

    username: str
    role: str
    password: str


def load_firm(*, now: datetime) -> bool:
    """Load the demo firm, moved to this week, and return True; keep a firm that is there."""
    if Firm.objects.exists():
        return False
    load(paths=sorted(FIXTURES.glob("*.csv")), shift_days=days_to_this_week(now), now=now)
    year = timezone.localdate(now).year
    ensure_public_holidays(years=range(year, year + HOLIDAY_YEARS))
    return True


def arrange_days(*, now: datetime) -> bool:
    """
    Lend a person and keep a shop day, as an office does on the board, and return True.

    Both lie in the weeks that the board shows first; days that are arranged already stay.
    """
    if LentPeople.objects.exists() or SetAside.objects.exists():
        return False
    crews = {crew.name: crew for crew in Crew.objects.all()}
    shift = timedelta(days=days_to_this_week(now))
    LentPeople.objects.create(
        from_crew=crews[LENDS],
        to_crew=crews[BORROWS],
        first_day=LENT_FROM + shift,
        last_day=LENT_UNTIL + shift,
        note="Lupe, for the roof",
    )
    begins = datetime.combine(SHOP_DAY + shift, time(7), tzinfo=timezone.get_default_timezone())
    SetAside.objects.create(
        crew=crews[LENDS],
        kind=SetAside.Kind.SHOP,
        starts_at=begins,
        ends_at=begins + timedelta(hours=8),
        note="Sharpen augers, load the trailer",
    )
    return True


def publish_a_plan(*, now: datetime, budget_seconds: float) -> bool:
    """Plan all open work, publish it and return True; keep a plan that is published already."""
    if Plan.objects.filter(status=Plan.Status.PUBLISHED).exists():
        return False
    plan = plan_now(now=now, budget_seconds=budget_seconds, seed=1)
    publish(plan_id=plan.pk, by=User.objects.filter(username="office").first(), now=now)
    return True


def miss_a_part(*, now: datetime) -> bool:
    """Report a part missing where a job is to be finished next; propose what follows from it."""
    booked = (
        Booking.objects.filter(is_live=True, crew__isnull=False, starts_at__gt=now)
        .filter(phase__code="PUNCH", phase__status=Phase.Status.OPEN)
        .order_by("starts_at", "id")
        .first()
    )
    if booked is None:
        return False
    report = NewReport(
        id=uuid4(),
        phase_id=booked.phase_id,
        kind=FieldReport.Kind.STOPPED,
        made_at=now,
        crew_id=booked.crew_id,
        stopped_by=Cause.MATERIAL,
        stopped_until=booked.ends_at + PART_TAKES,
        note="A door seal came damaged; a new one is on its way",
    )
    office = User.objects.filter(username="office").first()
    take_report(report=report, who=Reporter(office, is_office=True), now=now)
    found = slips.compare_published(now=now, trigger="a report")
    if found.new:
        proposals.propose(reason=proposals.reason_of(found), now=now)
    return bool(found.new)


def forecast_the_plan(*, now: datetime) -> bool:
    """Forecast the published plan and return True; keep a forecast that is there."""
    if Forecast.objects.filter(status=Forecast.Status.DONE).exists():
        return False
    forecast_now(now=now, workers=2)
    return True


def days_to_this_week(now: datetime) -> int:
    """Return how many days, whole weeks, lie between the files' Monday and this week's."""
    today = timezone.localdate(now)
    return (today - BASE_MONDAY).days // 7 * 7


def sign_ins(*, store: Path) -> list[SignIn]:
    """
    Return the demo's sign-ins, made at the first run with passwords of their own.

    The passwords are kept in `store`, readable by its owner only, so that a second run can print
    them again; one that has been changed since is left alone and told as "". Where people have
    accounts that the demo did not make, none is added and there are no sign-ins to tell.
    """
    if User.objects.exists() and not store.exists():
        return []
    roles.ensure_groups()
    kept = _kept_passwords(store)
    new = {name: secrets.token_urlsafe(9) for name in SIGN_IN_ROLES}
    with transaction.atomic():
        made = [name for name, role in SIGN_IN_ROLES.items() if _make_user(name, role, new[name])]
        _give_crews_leads()
        kept |= {name: new[name] for name in made}
        _keep_passwords(store, kept)
    return [
        SignIn(name, role, kept[name] if _opens(name, kept.get(name, "")) else "")
        for name, role in SIGN_IN_ROLES.items()
    ]


def readers(*, now: datetime) -> list[tuple[Crew, str]]:
    """Return each crew with the address of a calendar feed, made if it has none that opens."""
    crews = Crew.objects.filter(is_active=True).order_by("name")
    return [(crew, _feed_of(crew, now)) for crew in crews]


def phone_links(*, now: datetime) -> list[tuple[Crew, str]]:
    """
    Return each crew with an address that lets in one phone, its lead's; new where it was used.

    A visitor who has used one up, or lost the cookie, gets another with the next run.
    """
    crews = Crew.objects.filter(is_active=True).order_by("name")
    return [(crew, _phone_of(crew, now)) for crew in crews]


def calendars_beside_crews(*, now: datetime) -> list[tuple[str, str]]:
    """Return a calendar of the firm, an authority, a job and a buyer, each with an address."""
    job = _shown_job()
    wanted = [(FeedCalendar.Kind.FIRM, 0)]
    if job is not None:
        permit = Permit.objects.filter(job=job).first()
        if permit is not None:
            wanted.append((FeedCalendar.Kind.AUTHORITY, permit.authority_id))
        wanted += [(FeedCalendar.Kind.JOB, job.pk), (FeedCalendar.Kind.BUYER, job.pk)]
    found = [_calendar(kind, number, now) for kind, number in wanted]
    return [(link.shows.name, url) for link, url in found]


def buyers_page(*, now: datetime) -> tuple[Job, str] | None:
    """Return a job that is under way with the address of its buyer's page; None without one."""
    job = _shown_job()
    if job is None:
        return None
    for link in BuyerLink.objects.filter(job=job, reader=DEMO_READER, revoked_at=None):
        try:
            return job, buyer_links.page_url(link=link)
        except LinkClosedError:  # the secret key has changed since
            continue
    return job, buyer_links.make_link(job=job, reader=DEMO_READER, now=now)[1]


def _shown_job() -> Job | None:
    """Return the first job that a crew is at, else the first that is open."""
    jobs = Job.objects.filter(status=Job.Status.SIGNED).order_by("number")
    begun = jobs.filter(phases__status=Phase.Status.UNDER_WAY)
    return begun.first() or jobs.first()


def _calendar(kind: str, number: int, now: datetime) -> tuple[FeedSubscription, str]:
    links = FeedSubscription.objects.select_related("calendar").filter(
        calendar__kind=kind, calendar__number=number, reader=DEMO_READER, revoked_at=None
    )
    for link in links.order_by("pk"):
        try:
            return link, feed_url(link)
        except LinkClosedError:  # the secret key has changed since
            continue
    return subscribe_to(kind=kind, number=number, reader=DEMO_READER, now=now)


def owner_token(*, store: Path, now: datetime) -> str:
    """
    Return the owner's key to the API, made at the first run.

    The database holds only its hash, so it is kept in `store`, as the passwords are.
    """
    kept = store.read_text().strip() if store.exists() else ""
    if kept and token_of(key=kept, now=now):
        return kept
    _, key = make_token(user=User.objects.get(username="owner"), name="demo", now=now)
    store.touch(mode=0o600)
    store.chmod(0o600)
    store.write_text(f"{key}\n")
    return key


def _feed_of(crew: Crew, now: datetime) -> str:
    open_links = crew.subscriptions.filter(revoked_at=None, reader=f"{crew.name}, demo").order_by(
        "pk"
    )
    for subscription in open_links:
        try:
            return feed_url(subscription)
        except LinkClosedError:  # the secret key has changed since
            continue
    return subscribe(crew=crew, reader=f"{crew.name}, demo", now=now)[1]


def _phone_of(crew: Crew, now: datetime) -> str:
    person = crew.lead_name or crew.name
    waiting = crew.phones.filter(person_name=person, enrolled_at=None, revoked_at=None)
    for phone in waiting.order_by("pk"):
        try:
            return phones.link_url(phone, now=now)
        except phones.PhoneLinkClosedError:  # nobody used it in time, or the secret key changed
            continue
    return phones.invite(crew=crew, person_name=person, user=crew.lead, now=now)[1]


def _make_user(username: str, role: str, password: str) -> bool:
    """Make a user in its group and return whether it is new; one that is there stays as it is."""
    user, is_new = User.objects.get_or_create(
        username=username,
        defaults={"is_staff": role != roles.CREW_LEAD, "email": f"{username}@example.com"},
    )
    if is_new:
        user.set_password(password)
        user.save(update_fields=["password"])
        user.groups.add(Group.objects.get(name=role))
    return is_new


def _give_crews_leads() -> None:
    """
    Let the lead's sign-in stand for the first crew, unless it has a crew already.

    The other crews' leads get accounts too, that messages may go to them; nobody signs in by those.
    """
    if Crew.objects.filter(lead__username="lead").exists():
        return
    for place, crew in enumerate(Crew.objects.filter(lead=None).order_by("name")):
        username = slugify(crew.lead_name or crew.name) if place else "lead"
        crew.lead, is_new = User.objects.get_or_create(
            username=username, defaults={"email": f"{username}@example.com"}
        )
        crew.save(update_fields=["lead"])
        if is_new:
            crew.lead.set_unusable_password()
            crew.lead.save(update_fields=["password"])
            crew.lead.groups.add(Group.objects.get(name=roles.CREW_LEAD))


def _opens(username: str, password: str) -> bool:
    user: AbstractUser = User.objects.get(username=username)
    return bool(password) and user.check_password(password)


def _kept_passwords(store: Path) -> dict[str, str]:
    if not store.exists():
        return {}
    lines = (line.split(maxsplit=1) for line in store.read_text().splitlines())
    return {parts[0]: parts[1] for parts in lines if len(parts) == 2}


def _keep_passwords(store: Path, passwords: dict[str, str]) -> None:
    store.touch(mode=0o600)
    store.chmod(0o600)
    store.write_text("".join(f"{name} {password}\n" for name, password in passwords.items()))
