"""Files that someone checked by a dry run and has not loaded yet."""

from django.conf import settings
from django.db import models


class CheckedFile(models.Model):
    """One file of a dry run, kept as it came so that exactly what was checked is loaded."""

    batch = models.UUIDField(db_index=True, help_text="The same for files checked together.")
    name = models.CharField(max_length=120)
    data = models.BinaryField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    checked_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["batch", "name"], name="checked_file_once_per_batch"),
        ]

    def __str__(self) -> str:
        return self.name
