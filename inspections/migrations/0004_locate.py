import django.core.validators
import django.db.models.deletion
from django.db import migrations, models

from contractor.trade.locate_rules import STARTER_RULES


def write_starter_rules(apps, schema_editor):
    """Give the office a row of each state to correct; what it has written already stays."""
    rule = apps.get_model("inspections", "LocateRule")
    rule.objects.bulk_create(
        [
            rule(
                state=starter.state,
                notice_working_days=starter.notice_working_days,
                notice_hours=starter.notice_hours,
                count_from_next_day=starter.count_from_next_day,
                call_by=starter.call_by,
                life_days=starter.life_days,
                life_in_working_days=starter.life_in_working_days,
                life_from_dig_date=starter.life_from_dig_date,
                must_start_days=starter.must_start_days,
                idle_limit_days=starter.idle_limit_days,
                must_view_response=starter.must_view_response,
                source=starter.marked,
            )
            for starter in STARTER_RULES.values()
        ],
        ignore_conflicts=True,
    )


class Migration(migrations.Migration):

    dependencies = [
        ("inspections", "0003_pours"),
    ]

    operations = [
        migrations.CreateModel(
            name='LocateRule',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('state', models.CharField(max_length=2, unique=True, validators=[django.core.validators.RegexValidator('^[A-Z]{2}$', 'Write the two capital letters of the state, like OH.')])),
                ('notice_working_days', models.PositiveSmallIntegerField(default=0, help_text='0 where the notice is in hours.', validators=[django.core.validators.MaxValueValidator(15)], verbose_name='notice (working days)')),
                ('notice_hours', models.PositiveSmallIntegerField(default=0, help_text='0 where the notice is in working days.', validators=[django.core.validators.MaxValueValidator(360)], verbose_name='notice (hours of working days)')),
                ('count_from_next_day', models.BooleanField(default=True, help_text='The day of the call does not count. Hours without this run from the call.')),
                ('call_by', models.TimeField(blank=True, help_text='A call after this counts as made the next day.', null=True)),
                ('life_days', models.PositiveSmallIntegerField(validators=[django.core.validators.MinValueValidator(5), django.core.validators.MaxValueValidator(365)], verbose_name='life (days)')),
                ('life_in_working_days', models.BooleanField(default=False)),
                ('life_from_dig_date', models.BooleanField(default=False, help_text='Else the life runs from the call.')),
                ('must_start_days', models.PositiveSmallIntegerField(blank=True, help_text='Digging must begin within so many calendar days from the earliest dig.', null=True, validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(365)])),
                ('idle_limit_days', models.PositiveSmallIntegerField(blank=True, help_text='A dig that rests longer loses its ticket.', null=True, validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(365)])),
                ('must_view_response', models.BooleanField(default=False, help_text='No digging before the answers of all utilities have been read.', verbose_name='positive response must be viewed')),
                ('source', models.CharField(help_text='Where the figures are from: published, from memory, assumed …', max_length=120)),
                ('checked_on', models.DateField(blank=True, help_text='When the office last checked it with the call center.', null=True)),
            ],
        ),
        migrations.CreateModel(
            name='TicketResponse',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('utility', models.CharField(max_length=60)),
                ('answer', models.CharField(choices=[('CLEAR', 'Clear'), ('MARKED', 'Marked'), ('NOT_YET', 'Not yet'), ('CONFLICT', 'Conflict')], max_length=8)),
                ('viewed_at', models.DateTimeField(help_text='When one of ours read the answer.')),
            ],
        ),
        migrations.AddField(
            model_name='locateticket',
            name='called_by',
            field=models.CharField(blank=True, help_text='Who of ours called; each digger needs its own ticket.', max_length=60),
        ),
        migrations.AddField(
            model_name='locateticket',
            name='marks_seen_on',
            field=models.DateField(blank=True, help_text='When one of ours saw the marks on site.', null=True),
        ),
        migrations.AddField(
            model_name='locateticket',
            name='private_lines',
            field=models.CharField(blank=True, help_text='Lines the owner told of, which no utility marks: propane, water, septic, power.', max_length=200),
        ),
        migrations.AddField(
            model_name='locateticket',
            name='renewed_from',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='renewals', to='inspections.locateticket'),
        ),
        migrations.AddField(
            model_name='ticketresponse',
            name='ticket',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='responses', to='inspections.locateticket'),
        ),
        migrations.AddConstraint(
            model_name='locateticket',
            constraint=models.CheckConstraint(condition=models.Q(('marks_seen_on__isnull', True), ('marks_seen_on__gte', models.F('called_on')), _connector='OR'), name='ticket_marks_seen_after_the_call', violation_error_message='The marks were seen before the ticket was called.'),
        ),
        migrations.AddConstraint(
            model_name='locaterule',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('notice_hours', 0), ('notice_working_days__gt', 0)), models.Q(('notice_hours__gt', 0), ('notice_working_days', 0)), _connector='OR'), name='locate_rule_days_or_hours', violation_error_message='Enter the notice in working days or in hours, not both.'),
        ),
        migrations.AddConstraint(
            model_name='locaterule',
            constraint=models.CheckConstraint(condition=models.Q(('life_days__gte', 5)), name='locate_rule_life_above_notice', violation_error_message='A ticket lives five days at least.'),
        ),
        migrations.AddConstraint(
            model_name='ticketresponse',
            constraint=models.UniqueConstraint(fields=('ticket', 'utility'), name='response_once_per_utility', violation_error_message="This utility's answer is there already. Change that one."),
        ),
        migrations.RunPython(write_starter_rules, migrations.RunPython.noop),
    ]
