"""Photos of reports: told by content, made small, without the place, seen by whom they concern."""

import stat
import struct
import zlib
from datetime import timedelta
from io import BytesIO
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from django.contrib.auth.models import AbstractUser
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image

from contractor.trade.errors import SpecError
from jobs.models import FieldReport, ReportPhoto
from jobs.selectors.reports import OFFICE
from jobs.services import photos
from jobs.services.new_report import NewReport
from jobs.services.reporting import take_report
from tests.factories import CrewFactory, PhaseFactory
from tests.service.api import ROOT, reader
from tests.service.portfolio import MONDAY

pytestmark = pytest.mark.django_db

GPS_TAG, ORIENTATION_TAG = 0x8825, 0x0112


@pytest.fixture(autouse=True)
def media(settings: Any, tmp_path: Path) -> Path:
    settings.MEDIA_ROOT = tmp_path
    return tmp_path


@pytest.fixture
def report(lead: AbstractUser) -> FieldReport:
    """A note of the lead's crew."""
    crew = CrewFactory(lead=lead)
    phase = PhaseFactory(crew=crew)
    note = NewReport(uuid4(), phase.pk, "NOTE", MONDAY, crew_id=crew.pk, note="see the photo")
    take_report(report=note, who=OFFICE, now=MONDAY)
    return FieldReport.objects.get()


def picture(
    size: tuple[int, int] = (640, 480), kind: str = "JPEG", color: str = "red", **given: Any
) -> bytes:
    out = BytesIO()
    Image.new("RGB", size, color).save(out, kind, **given)
    return out.getvalue()


def with_place(size: tuple[int, int] = (400, 300)) -> bytes:
    """A photo that says where it was taken, which way is up, and by whom."""
    exif = Image.Exif()
    exif[ORIENTATION_TAG] = 6  # turned by a quarter
    exif[0x013B] = "Photographer's name"
    exif.get_ifd(GPS_TAG).update({1: "N", 2: (40.0, 1.0, 2.0), 3: "W", 4: (83.0, 3.0, 4.0)})
    return picture(size, exif=exif)


def bomb(width: int, height: int) -> bytes:
    """A PNG of a few bytes that claims to be huge (PNG specification, section 11.2.2)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        check = struct.pack(">I", zlib.crc32(kind + data))
        return struct.pack(">I", len(data)) + kind + data + check

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = zlib.compress(b"\0" * 1000)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")
    )


def opened(data: bytes) -> Image.Image:
    return Image.open(BytesIO(data))


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_what_a_picture_is_is_told_by_its_content(kind: str) -> None:
    kept, size = photos.shrunk(picture(kind=kind))

    assert opened(kept).format == "JPEG"
    assert size == (640, 480)


def test_a_large_picture_is_made_small_and_keeps_its_shape() -> None:
    kept, size = photos.shrunk(picture((4000, 3000)))

    assert size == (1600, 1200) == opened(kept).size


def test_the_place_goes_and_the_picture_stays_upright() -> None:
    sent = with_place()
    assert opened(sent).getexif().get_ifd(GPS_TAG)

    kept, size = photos.shrunk(sent)

    assert size == (300, 400)
    assert not opened(kept).getexif()
    assert b"Exif" not in kept
    assert b"Photographer" not in kept


def test_nothing_behind_the_picture_is_kept() -> None:
    kept, _ = photos.shrunk(picture() + b"<script>alert(1)</script>")

    assert b"script" not in kept


def test_what_is_seen_through_becomes_white() -> None:
    out = BytesIO()
    Image.new("RGBA", (20, 20), (0, 0, 0, 0)).save(out, "PNG")

    kept, _ = photos.shrunk(out.getvalue())

    assert opened(kept).getpixel((5, 5)) == (255, 255, 255)


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "not a JPEG, PNG or WebP"),
        (b"%PDF-1.7 this is no photo", "not a JPEG, PNG or WebP"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "not a JPEG, PNG or WebP"),
        (picture(kind="GIF"), "not a JPEG, PNG or WebP"),
        (picture()[:400], "damaged"),
        (bomb(60_000, 60_000), "too many pixels"),
        (bomb(9_000, 9_000), "too many pixels"),
        (b"x" * (photos.LARGEST_BYTES + 1), "too large"),
    ],
)
def test_what_is_no_photo_is_refused_with_a_remedy(data: bytes, why: str) -> None:
    with pytest.raises(SpecError, match=why) as refusal:
        photos.shrunk(data)

    (fault,) = refusal.value.faults
    assert fault.field == "photo"
    assert fault.remedy == photos.REMEDY


def send(user: AbstractUser, report_id: Any, data: bytes, name: str = "a.jpg") -> Any:
    file = SimpleUploadedFile(name, data, content_type="image/jpeg")
    return reader(user).post(f"{ROOT}reports/{report_id}/photos/", {"photo": file})


def test_a_lead_sends_a_photo_of_their_report(
    lead: AbstractUser, report: FieldReport, media: Path
) -> None:
    response = send(lead, report.pk, with_place(), name="../../evil.html")

    assert response.status_code == 200, response.content
    photo = ReportPhoto.objects.get()
    stored = Path(photo.file.path)
    assert media in stored.parents
    assert stored.suffix == ".jpg"
    assert stored.stat().st_mode & 0o077 == 0
    shown = reader(lead).get(response.json()["address"])
    assert shown.headers["Content-Type"] == "image/jpeg"
    assert "private" in shown.headers["Cache-Control"]
    assert opened(shown.content).size == (300, 400)


def test_the_same_photo_twice_is_one(lead: AbstractUser, report: FieldReport) -> None:
    first, second = (send(lead, report.pk, picture()).json() for _ in range(2))

    assert first == second
    assert ReportPhoto.objects.count() == 1


def test_a_report_has_so_many_photos_and_no_more(
    lead: AbstractUser, report: FieldReport, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(photos, "MOST_PHOTOS", 1)
    send(lead, report.pk, picture())

    response = send(lead, report.pk, picture(color="blue"))

    assert response.status_code == 400
    assert "as many photos as it can" in response.json()["errors"][0]["message"]


def test_a_bomb_is_refused_at_the_door(lead: AbstractUser, report: FieldReport) -> None:
    response = send(lead, report.pk, bomb(60_000, 60_000))

    assert response.status_code == 400
    assert not ReportPhoto.objects.exists()


def test_a_photo_without_its_field_is_told(lead: AbstractUser, report: FieldReport) -> None:
    response = reader(lead).post(f"{ROOT}reports/{report.pk}/photos/", {"other": "text"})

    assert response.json()["errors"][0]["field"] == "photo"


def test_a_photo_before_its_report_is_to_be_sent_again(lead: AbstractUser, report: Any) -> None:
    assert send(lead, uuid4(), picture()).status_code == 404


@pytest.mark.parametrize(("who", "opens"), [("office", True), ("owner", True), ("stranger", False)])
def test_office_and_owner_see_photos_and_strangers_do_not(
    report: FieldReport, lead: AbstractUser, who: str, opens: bool, request: pytest.FixtureRequest
) -> None:
    address = send(lead, report.pk, picture()).json()["address"]

    response = reader(request.getfixturevalue(who)).get(address)

    assert (response.status_code == 200) is opens


def test_another_lead_neither_sees_nor_sends(report: FieldReport, lead: AbstractUser) -> None:
    from tests.factories import CrewLeadFactory

    address = send(lead, report.pk, picture()).json()["address"]
    other = CrewLeadFactory()
    CrewFactory(lead=other)

    assert reader(other).get(address).status_code == 404
    assert send(other, report.pk, picture(color="green")).status_code == 404


def test_no_address_serves_the_folder(client: Any, report: FieldReport, lead: AbstractUser) -> None:
    photo_id = send(lead, report.pk, picture()).json()["id"]
    photo = ReportPhoto.objects.get(pk=photo_id)

    assert stat.S_IMODE(Path(photo.file.path).stat().st_mode) == 0o600
    assert client.get(f"/media/{photo.file.name}").status_code == 404
    assert client.get(f"/{photo.file.name}").status_code == 404
    assert client.get(f"{ROOT}reports/photos/{photo_id}/").status_code == 401


def test_the_owner_sends_no_photos(report: FieldReport, owner: AbstractUser) -> None:
    assert send(owner, report.pk, picture()).status_code == 403


def test_a_photo_sent_after_days_belongs_to_its_report(
    lead: AbstractUser, report: FieldReport
) -> None:
    photo, is_new = photos.add_photo(
        report_id=report.pk,
        data=picture(),
        who=OFFICE,
        now=MONDAY + timedelta(days=3),
    )

    assert is_new
    assert photo.report == report


def test_a_photo_is_given_to_who_takes_only_pictures(
    lead: AbstractUser, report: FieldReport
) -> None:
    """The schema promises image/jpeg there, and no more is asked for (RFC 9110, 12.5.1)."""
    address = send(lead, report.pk, picture()).json()["address"]

    response = reader(lead).get(address, HTTP_ACCEPT="image/jpeg")

    assert (response.status_code, response.headers["Content-Type"]) == (200, "image/jpeg")


def test_a_photo_whose_file_is_gone_is_not_there(
    lead: AbstractUser, report: FieldReport, media: Path
) -> None:
    sent = send(lead, report.pk, picture()).json()
    ReportPhoto.objects.get(pk=sent["id"]).file.storage.delete(
        ReportPhoto.objects.get(pk=sent["id"]).file.name
    )

    assert reader(lead).get(sent["address"]).status_code == 404
