import uuid

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("crews", "0004_feeds"), ("jobs", "0009_forecasts")]

    operations = [
        migrations.AddField(
            model_name="job",
            name="gate_code",
            field=models.CharField(
                blank=True,
                help_text="How a crew gets in: the gate's code, or where the key is.",
                max_length=40,
            ),
        ),
        migrations.AddField(
            model_name="job",
            name="crew_may_call_buyer",
            field=models.BooleanField(
                default=False,
                help_text="Show the buyer's name and phone to the crew on the job.",
                verbose_name="crews may call the buyer",
            ),
        ),
        migrations.AddField(
            model_name="reportphoto",
            name="is_released",
            field=models.BooleanField(
                default=False,
                help_text="The buyer's page shows it.",
                verbose_name="shown to the buyer",
            ),
        ),
        migrations.CreateModel(
            name="BuyerLink",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "reader",
                    models.CharField(help_text="Whose link this is.", max_length=60),
                ),
                ("nonce", models.UUIDField(default=uuid.uuid4, editable=False)),
                ("token_hash", models.CharField(editable=False, max_length=64, unique=True)),
                ("created_at", models.DateTimeField(editable=False)),
                ("revoked_at", models.DateTimeField(blank=True, editable=False, null=True)),
                ("last_opened_at", models.DateTimeField(blank=True, editable=False, null=True)),
                (
                    "job",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="buyer_links",
                        to="jobs.job",
                    ),
                ),
            ],
            options={"verbose_name": "buyer's page"},
        ),
    ]
