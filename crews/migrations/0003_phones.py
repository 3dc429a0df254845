import uuid

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("crews", "0002_firm_weather_and_costs"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="Phone",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "person_name",
                    models.CharField(
                        help_text="Whose phone it is; reports from it carry this name.",
                        max_length=60,
                        verbose_name="person",
                    ),
                ),
                ("nonce", models.UUIDField(default=uuid.uuid4, editable=False)),
                ("link_hash", models.CharField(editable=False, max_length=64, unique=True)),
                ("link_made_at", models.DateTimeField(editable=False)),
                ("link_ends_at", models.DateTimeField(editable=False)),
                (
                    "token_hash",
                    models.CharField(editable=False, max_length=64, null=True, unique=True),
                ),
                ("enrolled_at", models.DateTimeField(blank=True, editable=False, null=True)),
                ("last_seen_at", models.DateTimeField(blank=True, editable=False, null=True)),
                (
                    "client",
                    models.CharField(
                        blank=True, editable=False, max_length=40, verbose_name="kind of phone"
                    ),
                ),
                ("revoked_at", models.DateTimeField(blank=True, editable=False, null=True)),
                (
                    "crew",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="phones",
                        to="crews.crew",
                    ),
                ),
                (
                    "user",
                    models.ForeignKey(
                        blank=True,
                        help_text="The sign-in of that person, for those who have one.",
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="phones",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(enrolled_at__isnull=True, token_hash__isnull=True),
                            models.Q(enrolled_at__isnull=False, token_hash__isnull=False),
                            _connector="OR",
                        ),
                        name="phone_key_once_enrolled",
                        violation_error_message=(
                            "A phone has a key exactly when it was enrolled."
                        ),
                    ),
                ],
            },
        ),
    ]
