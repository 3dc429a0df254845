"""
Photos from the sites: checked by what they are, made small, and without the place they show.

Nothing of the file that was sent is kept but its picture: it is drawn anew, so that neither the
place (EXIF) nor anything hidden behind the picture is stored.
"""

from __future__ import annotations

import hashlib
import warnings
from io import BytesIO
from typing import TYPE_CHECKING

from django.core.files.base import ContentFile
from django.db import IntegrityError, transaction
from PIL import Image, ImageOps, UnidentifiedImageError

from contractor.trade.errors import Fault, SpecError
from jobs.models import FieldReport, ReportPhoto

if TYPE_CHECKING:
    from datetime import datetime
    from uuid import UUID

    from jobs.selectors.reports import Reporter

LARGEST_BYTES = 15 * 1024 * 1024
# What a phone's camera takes; read whole that is 200 MB, and a file that claims more is no photo.
MOST_PIXELS = 50_000_000
LONGEST_SIDE_PX = 1600
QUALITY = 80
MOST_PHOTOS = 20
FORMATS = ("JPEG", "PNG", "WEBP")
REMEDY = "Send a JPEG, PNG or WebP picture of at most 15 MB."


class NotYours(Exception):  # noqa: N818 - an answer with its reason
    """The report is another crew's, or there is none."""


def add_photo(
    *, report_id: UUID, data: bytes, who: Reporter, now: datetime
) -> tuple[ReportPhoto, bool]:
    """
    Return the stored photo of a report, and whether it is new: the same file twice is one photo.

    Raises
    ------
    NotYours
        If there is no such report that this person may add to.
    contractor.trade.errors.SpecError
        If it is not a picture that can be kept.
    """
    report = FieldReport.objects.filter(pk=report_id).first()
    if report is None or not (who.is_office or report.crew_id in who.crews):
        raise NotYours
    digest = hashlib.sha256(data).hexdigest()
    known = ReportPhoto.objects.filter(report=report, sha256=digest).first()
    if known:
        return known, False
    if report.photos.count() >= MOST_PHOTOS:
        raise SpecError(
            [
                Fault(
                    "photo",
                    MOST_PHOTOS,
                    "this report has as many photos as it can",
                    "Send the others with a new note.",
                )
            ]
        )
    picture, size = shrunk(data)
    photo = ReportPhoto(
        report=report, sha256=digest, width_px=size[0], height_px=size[1], received_at=now
    )
    photo.file.save(f"{report.pk}/{digest[:32]}.jpg", ContentFile(picture), save=False)
    try:
        with transaction.atomic():
            photo.save()
    except IntegrityError:  # the same file came a second time meanwhile
        photo.file.delete(save=False)
        return ReportPhoto.objects.get(report=report, sha256=digest), False
    return photo, True


def shrunk(data: bytes) -> tuple[bytes, tuple[int, int]]:
    """
    Return a picture as a JPEG of at most 1600 px, upright, with nothing else in it, and its size.

    Raises
    ------
    contractor.trade.errors.SpecError
        If it is too large, no picture, of another kind, or damaged.
    """
    if len(data) > LARGEST_BYTES:
        raise _refused(f"{len(data):,} bytes", "this is too large")
    try:
        with warnings.catch_warnings():
            # Pillow's own limit is above ours, which is looked at before anything is read.
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            return _drawn_anew(data)
    except UnidentifiedImageError:
        raise _refused(_beginning(data), "this is not a JPEG, PNG or WebP picture") from None
    except SpecError:
        raise
    except Image.DecompressionBombError as error:
        raise _refused(_beginning(data), "this picture has too many pixels") from error
    except (OSError, SyntaxError, ValueError) as error:
        raise _refused(_beginning(data), "this picture is damaged") from error


def _drawn_anew(data: bytes) -> tuple[bytes, tuple[int, int]]:
    with Image.open(BytesIO(data), formats=FORMATS) as picture:
        width, height = picture.size
        if width * height > MOST_PIXELS:
            raise _refused(f"{width} × {height} px", "this picture has too many pixels")
        # A JPEG is read at a half, a quarter or an eighth of its size, which spares the memory.
        picture.draft("RGB", (LONGEST_SIDE_PX, LONGEST_SIDE_PX))
        picture.thumbnail((LONGEST_SIDE_PX, LONGEST_SIDE_PX))
        plain = _opaque(ImageOps.exif_transpose(picture))
    out = BytesIO()
    plain.save(out, "JPEG", quality=QUALITY, optimize=True)
    return out.getvalue(), plain.size


def _opaque(picture: Image.Image) -> Image.Image:
    """Return a picture on white, since a JPEG cannot be seen through."""
    if picture.mode not in ("RGBA", "LA", "PA") and "transparency" not in picture.info:
        return picture.convert("RGB")
    over = picture.convert("RGBA")
    plain = Image.new("RGB", over.size, "white")
    plain.paste(over, mask=over.getchannel("A"))
    return plain


def _beginning(data: bytes) -> str:
    return f"{len(data):,} bytes that begin with {data[:8]!r}"


def _refused(value: object, message: str) -> SpecError:
    return SpecError([Fault("photo", value, message, REMEDY)])
