import django.core.validators
import django.db.models.deletion
import inspections.models.authority
from decimal import Decimal
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ("inspections", "0001_initial"),
        ("jobs", "0006_rework_phases"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='InspectionEvent',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.PositiveSmallIntegerField(help_text='Counts the events of a visit from 1.')),
                ('at', models.DateTimeField()),
                ('said_by', models.CharField(blank=True, help_text='Who said it.', max_length=60)),
                ('from_status', models.CharField(blank=True, choices=[('REQUESTED', 'Requested'), ('CONFIRMED', 'Confirmed'), ('PASSED', 'Passed'), ('PASSED_CORRECTIONS', 'Passed with corrections'), ('PARTIAL', 'Passed in part'), ('FAILED', 'Failed'), ('NOT_READY', 'Not ready or no access'), ('ABSENT', 'Inspector absent'), ('CANCELLED_BY_US', 'Cancelled by us'), ('CANCELLED_BY_THEM', 'Cancelled by them'), ('CANCELLED_WEATHER', 'Cancelled for weather'), ('TAKEN_BACK', 'Entered by mistake')], max_length=20)),
                ('to_status', models.CharField(choices=[('REQUESTED', 'Requested'), ('CONFIRMED', 'Confirmed'), ('PASSED', 'Passed'), ('PASSED_CORRECTIONS', 'Passed with corrections'), ('PARTIAL', 'Passed in part'), ('FAILED', 'Failed'), ('NOT_READY', 'Not ready or no access'), ('ABSENT', 'Inspector absent'), ('CANCELLED_BY_US', 'Cancelled by us'), ('CANCELLED_BY_THEM', 'Cancelled by them'), ('CANCELLED_WEATHER', 'Cancelled for weather'), ('TAKEN_BACK', 'Entered by mistake')], max_length=20)),
                ('note', models.CharField(blank=True, max_length=200)),
                ('before', models.JSONField(blank=True, default=dict)),
                ('after', models.JSONField(blank=True, default=dict)),
            ],
        ),
        migrations.CreateModel(
            name='InspectionRule',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('inspection', models.CharField(choices=[('HOLE_INSPECTION', 'Hole inspection'), ('SLAB_INSPECTION', 'Slab inspection'), ('FRAME_INSPECTION', 'Frame inspection'), ('FINAL_INSPECTION', 'Final inspection')], max_length=20)),
                ('uses', models.CharField(blank=True, help_text='Uses of the building, like SHOP GARAGE; empty for all.', max_length=120, validators=[inspections.models.authority.validate_uses])),
                ('minimum_area_sf', models.FloatField(default=0, help_text='Smaller buildings go without.', validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(1000000)], verbose_name='minimum area (sq ft)')),
                ('holds', models.CharField(blank=True, choices=[('ROOF', 'Roof steel'), ('WALLS', 'Wall steel'), ('INSULATION', 'Insulation'), ('LINER', 'Steel liner')], help_text='Of a frame inspection: the phase that waits for it; empty for wall steel.', max_length=20)),
            ],
        ),
        migrations.AddField(
            model_name='authority',
            name='fee_after_failures',
            field=models.PositiveSmallIntegerField(default=1, help_text='After which failure of the same inspection the fee is due.', validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(9)]),
        ),
        migrations.AddField(
            model_name='authority',
            name='fee_is_prepaid',
            field=models.BooleanField(default=False, help_text='They come again only when the fee is paid.'),
        ),
        migrations.AddField(
            model_name='authority',
            name='lapse_days',
            field=models.PositiveSmallIntegerField(default=180, help_text='A permit lapses after so many days without a start or an approved inspection.', validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(3650)]),
        ),
        migrations.AddField(
            model_name='authority',
            name='notice_hours',
            field=models.PositiveSmallIntegerField(blank=True, help_text='In place of working days, which are then 0. Hours count on their working days.', null=True, validators=[django.core.validators.MaxValueValidator(240)]),
        ),
        migrations.AddField(
            model_name='authority',
            name='reinspection_fee_usd',
            field=models.DecimalField(decimal_places=2, default=Decimal('0'), max_digits=7, validators=[django.core.validators.MinValueValidator(0)], verbose_name='re-inspection fee (USD)'),
        ),
        migrations.AddField(
            model_name='authority',
            name='request_to',
            field=models.CharField(blank=True, help_text="The portal's or mail's address, or a number of its own for requests.", max_length=120),
        ),
        migrations.AddField(
            model_name='authority',
            name='request_way',
            field=models.CharField(choices=[('PHONE', 'Telephone'), ('PORTAL', 'Portal'), ('MAIL', 'Mail')], default='PHONE', help_text='How they take a request.', max_length=6, verbose_name='request by'),
        ),
        migrations.AddField(
            model_name='authority',
            name='takes_wishes',
            field=models.BooleanField(default=True, help_text='They take a wish for one of the windows. If not, the plan keeps the whole day.'),
        ),
        migrations.AddField(
            model_name='authority',
            name='visits_per_day',
            field=models.PositiveSmallIntegerField(blank=True, help_text='How many of our visits they make in a day; the plan then keeps whole days.', null=True, validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(50)]),
        ),
        migrations.AddField(
            model_name='authorityclosure',
            name='repeats',
            field=models.CharField(blank=True, help_text='A recurrence rule, like FREQ=MONTHLY;BYDAY=2WE for every second Wednesday of a month; empty for once.', max_length=120),
        ),
        migrations.AddField(
            model_name='inspection',
            name='decided_at',
            field=models.DateTimeField(blank=True, help_text='When it was made, or fell through.', null=True),
        ),
        migrations.AddField(
            model_name='inspection',
            name='released',
            field=models.CharField(blank=True, help_text='Passed in part: which holes or bays are free.', max_length=200),
        ),
        migrations.AddField(
            model_name='inspection',
            name='released_share',
            field=models.FloatField(blank=True, help_text='Passed in part: which share of the work is free, 0 to 1.', null=True, validators=[django.core.validators.MinValueValidator(0.01), django.core.validators.MaxValueValidator(0.99)]),
        ),
        migrations.AddField(
            model_name='permit',
            name='drawings_received_on',
            field=models.DateField(blank=True, help_text="When the engineer's sealed drawings came.", null=True),
        ),
        migrations.AlterField(
            model_name='inspection',
            name='status',
            field=models.CharField(choices=[('REQUESTED', 'Requested'), ('CONFIRMED', 'Confirmed'), ('PASSED', 'Passed'), ('PASSED_CORRECTIONS', 'Passed with corrections'), ('PARTIAL', 'Passed in part'), ('FAILED', 'Failed'), ('NOT_READY', 'Not ready or no access'), ('ABSENT', 'Inspector absent'), ('CANCELLED_BY_US', 'Cancelled by us'), ('CANCELLED_BY_THEM', 'Cancelled by them'), ('CANCELLED_WEATHER', 'Cancelled for weather'), ('TAKEN_BACK', 'Entered by mistake')], default='REQUESTED', max_length=20),
        ),
        migrations.AddConstraint(
            model_name='authority',
            constraint=models.CheckConstraint(condition=models.Q(('notice_hours__isnull', True), ('notice_working_days', 0), _connector='OR'), name='authority_notice_in_hours_or_days', violation_error_message='Notice is in hours or in working days. Enter 0 working days with hours, or leave the hours empty.'),
        ),
        migrations.AddConstraint(
            model_name='inspection',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('status', 'PARTIAL'), _negated=True), models.Q(('released', ''), _negated=True), _connector='OR'), name='part_passed_visit_says_what_is_free', violation_error_message='Say which holes or bays are free.'),
        ),
        migrations.AddField(
            model_name='inspectionevent',
            name='by',
            field=models.ForeignKey(blank=True, help_text='Who entered it.', null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='inspectionevent',
            name='inspection',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='events', to='inspections.inspection'),
        ),
        migrations.AddField(
            model_name='inspectionevent',
            name='undoes',
            field=models.OneToOneField(blank=True, null=True, on_delete=django.db.models.deletion.CASCADE, related_name='undone_by', to='inspections.inspectionevent'),
        ),
        migrations.AddField(
            model_name='inspectionrule',
            name='authority',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='inspection_rules', to='inspections.authority'),
        ),
        migrations.AddConstraint(
            model_name='inspectionevent',
            constraint=models.UniqueConstraint(fields=('inspection', 'number'), name='inspection_event_once_per_number'),
        ),
        migrations.AddConstraint(
            model_name='inspectionrule',
            constraint=models.UniqueConstraint(fields=('authority', 'inspection', 'uses', 'minimum_area_sf'), name='inspection_rule_once', violation_error_message='This authority has such a rule already.'),
        ),
        migrations.AddConstraint(
            model_name='inspectionrule',
            constraint=models.CheckConstraint(condition=models.Q(('holds', ''), ('inspection', 'FRAME_INSPECTION'), _connector='OR'), name='only_a_frame_inspection_chooses_what_it_holds', violation_error_message='Only a frame inspection chooses what it holds. Leave it empty.'),
        ),
    ]
