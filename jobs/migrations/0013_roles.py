import hashlib

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models
from django.utils import timezone


def take_over_tokens(apps, schema_editor):
    """Keep the keys of an earlier version opening, from now on by their hash alone."""
    connection = schema_editor.connection
    if "authtoken_token" not in connection.introspection.table_names():
        return
    ApiToken = apps.get_model("jobs", "ApiToken")
    with connection.cursor() as cursor:
        cursor.execute("SELECT key, user_id FROM authtoken_token")
        for key, user_id in cursor.fetchall():
            ApiToken.objects.create(
                user_id=user_id,
                name="made by an earlier version",
                key_hash=hashlib.sha256(key.encode()).hexdigest(),
                made_at=timezone.now(),
            )
        cursor.execute("DELETE FROM authtoken_token")


class Migration(migrations.Migration):
    dependencies = [
        ("jobs", "0012_callbacks"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="ApiToken",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "name",
                    models.CharField(
                        help_text="What the token is for.", max_length=60, verbose_name="program"
                    ),
                ),
                ("key_hash", models.CharField(editable=False, max_length=64, unique=True)),
                ("made_at", models.DateTimeField(editable=False)),
                ("last_used_at", models.DateTimeField(blank=True, editable=False, null=True)),
                ("revoked_at", models.DateTimeField(blank=True, editable=False, null=True)),
                (
                    "user",
                    models.ForeignKey(
                        help_text="The token opens what this person may open.",
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="api_tokens",
                        to=settings.AUTH_USER_MODEL,
                        verbose_name="person",
                    ),
                ),
            ],
            options={
                "verbose_name": "API token",
                "permissions": [("read_firm", "Can read the firm's figures and the API")],
            },
        ),
        migrations.CreateModel(
            name="FailedSignIn",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("username", models.CharField(max_length=150)),
                ("address", models.CharField(help_text="Where it came from.", max_length=45)),
                ("failed_at", models.DateTimeField()),
            ],
            options={
                "verbose_name": "failed sign-in",
                "indexes": [
                    models.Index(fields=["username", "failed_at"], name="failed_sign_in_name"),
                    models.Index(fields=["address", "failed_at"], name="failed_sign_in_address"),
                ],
            },
        ),
        migrations.RunPython(take_over_tokens, migrations.RunPython.noop),
    ]
