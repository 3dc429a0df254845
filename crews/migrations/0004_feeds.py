import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("crews", "0003_phones")]

    operations = [
        migrations.AddField(
            model_name="feedevent",
            name="whole_days",
            field=models.BooleanField(
                default=False, help_text="Shown as days even where it is within one."
            ),
        ),
        migrations.AlterField(
            model_name="feedevent",
            name="crew",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.CASCADE,
                related_name="feed_events",
                to="crews.crew",
            ),
        ),
        migrations.AlterField(
            model_name="feedsubscription",
            name="crew",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.CASCADE,
                related_name="subscriptions",
                to="crews.crew",
            ),
        ),
        migrations.CreateModel(
            name="FeedCalendar",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("FIRM", "The firm: all crews, inspections and deliveries"),
                            ("JOB", "One job"),
                            ("AUTHORITY", "An authority's inspections"),
                            ("BUYER", "A job for its buyer: weeks, not hours"),
                        ],
                        max_length=9,
                    ),
                ),
                ("number", models.PositiveBigIntegerField()),
                ("name", models.CharField(max_length=100)),
                (
                    "feed_revised_at",
                    models.DateTimeField(
                        editable=False, help_text="Only ever moves forward.", null=True
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(fields=("kind", "number"), name="feed_calendar_once")
                ],
            },
        ),
        migrations.AddField(
            model_name="feedevent",
            name="calendar",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.CASCADE,
                related_name="feed_events",
                to="crews.feedcalendar",
            ),
        ),
        migrations.AddField(
            model_name="feedsubscription",
            name="calendar",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.CASCADE,
                related_name="subscriptions",
                to="crews.feedcalendar",
            ),
        ),
        migrations.AddConstraint(
            model_name="feedevent",
            constraint=models.UniqueConstraint(
                fields=("calendar", "source"), name="feed_event_once_per_calendar"
            ),
        ),
        migrations.AddConstraint(
            model_name="feedevent",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("crew__isnull", True), ("calendar__isnull", True), _connector="XOR"
                ),
                name="feed_event_of_one_calendar",
            ),
        ),
        migrations.AddConstraint(
            model_name="feedsubscription",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("crew__isnull", True), ("calendar__isnull", True), _connector="XOR"
                ),
                name="feed_subscription_of_one_calendar",
                violation_error_message="Choose a crew or another calendar, and not both.",
            ),
        ),
    ]
