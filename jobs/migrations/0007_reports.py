import django.core.validators
import django.db.models.deletion
import uuid
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ("crews", "0002_firm_weather_and_costs"),
        ("jobs", "0006_rework_phases"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.AddField(
            model_name='phase',
            name='hours_at_share',
            field=models.FloatField(blank=True, editable=False, help_text='The hours reported when the share was told.', null=True),
        ),
        migrations.AddField(
            model_name='phase',
            name='stopped_at',
            field=models.DateTimeField(blank=True, editable=False, null=True),
        ),
        migrations.AddField(
            model_name='phase',
            name='stopped_by',
            field=models.CharField(blank=True, choices=[('WEATHER', 'Weather'), ('INSPECTION', 'Inspection'), ('MATERIAL', 'Material'), ('CREW', 'Crew'), ('EQUIPMENT', 'Equipment'), ('SITE_NOT_READY', 'Site not ready'), ('BUYERS_CHANGE', "Buyer's change"), ('REWORK', 'Rework'), ('ESTIMATE', 'Estimate')], help_text='What keeps begun or planned work from going on.', max_length=14),
        ),
        migrations.AddField(
            model_name='phase',
            name='stopped_until',
            field=models.DateTimeField(blank=True, help_text='It is planned to go on then; empty is not known.', null=True),
        ),
        migrations.CreateModel(
            name='FieldReport',
            fields=[
                ('id', models.UUIDField(default=uuid.uuid4, primary_key=True, serialize=False)),
                ('kind', models.CharField(choices=[('STARTED', 'Started'), ('PROGRESS', 'Progress'), ('DONE', 'Done'), ('STOPPED', 'Stopped'), ('NOTE', 'Note'), ('CORRECTION', 'Correction'), ('OFFICE', 'Set by the office')], max_length=10)),
                ('made_at', models.DateTimeField(help_text='By the clock of the phone it was made on.')),
                ('happened_at', models.DateTimeField(blank=True, help_text='What it is about; empty is the moment it was made.', null=True)),
                ('received_at', models.DateTimeField()),
                ('by_name', models.CharField(blank=True, max_length=80, verbose_name='by')),
                ('from_office', models.BooleanField(default=False)),
                ('share_done', models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(1)])),
                ('crew_hours', models.FloatField(blank=True, help_text='Since the report before, all people together.', null=True, validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(5000)], verbose_name='hours of all people')),
                ('people', models.PositiveSmallIntegerField(blank=True, help_text='How many were on the site.', null=True, validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(40)])),
                ('stopped_by', models.CharField(blank=True, choices=[('WEATHER', 'Weather'), ('INSPECTION', 'Inspection'), ('MATERIAL', 'Material'), ('CREW', 'Crew'), ('EQUIPMENT', 'Equipment'), ('SITE_NOT_READY', 'Site not ready'), ('BUYERS_CHANGE', "Buyer's change"), ('REWORK', 'Rework'), ('ESTIMATE', 'Estimate')], max_length=14)),
                ('stopped_until', models.DateTimeField(blank=True, null=True)),
                ('note', models.TextField(blank=True, max_length=2000)),
                ('corrects_id', models.UUIDField(blank=True, null=True, verbose_name='corrects')),
                ('corrected_kind', models.CharField(blank=True, choices=[('STARTED', 'Started'), ('PROGRESS', 'Progress'), ('DONE', 'Done'), ('STOPPED', 'Stopped'), ('NOTE', 'Note'), ('VOID', 'Never happened')], help_text='What the corrected report should have said.', max_length=10)),
                ('set_status', models.CharField(blank=True, choices=[('OPEN', 'Open'), ('UNDER_WAY', 'Under way'), ('DONE', 'Done')], max_length=9)),
                ('set_started_at', models.DateTimeField(blank=True, null=True)),
                ('set_done_at', models.DateTimeField(blank=True, null=True)),
                ('by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, to=settings.AUTH_USER_MODEL)),
                ('crew', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='reports', to='crews.crew')),
                ('phase', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='reports', to='jobs.phase')),
            ],
        ),
        migrations.CreateModel(
            name='ReportPhoto',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('sha256', models.CharField(editable=False, help_text='Of the file as it was sent: twice is once.', max_length=64)),
                ('file', models.FileField(max_length=160, upload_to='reports')),
                ('width_px', models.PositiveIntegerField()),
                ('height_px', models.PositiveIntegerField()),
                ('received_at', models.DateTimeField()),
                ('report', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='photos', to='jobs.fieldreport')),
            ],
        ),
        migrations.CreateModel(
            name='Change',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('at', models.DateTimeField()),
                ('by_name', models.CharField(blank=True, max_length=80, verbose_name='by')),
                ('action', models.CharField(choices=[('ADDED', 'Added'), ('CHANGED', 'Changed'), ('REMOVED', 'Removed')], max_length=7)),
                ('kind', models.CharField(help_text='What kind of row, like phase.', max_length=40)),
                ('row', models.CharField(help_text="The row's key.", max_length=40)),
                ('name', models.CharField(help_text='How people call the row.', max_length=200)),
                ('what', models.JSONField(default=list, help_text='Each column that changed: its name, from what, to what.')),
                ('by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, to=settings.AUTH_USER_MODEL)),
                ('job', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='changes', to='jobs.job')),
            ],
            options={
                'indexes': [models.Index(fields=['job', 'at'], name='change_of_job'), models.Index(fields=['kind', 'row'], name='change_of_row')],
            },
        ),
        migrations.AddIndex(
            model_name='fieldreport',
            index=models.Index(fields=['made_at'], name='report_made_at'),
        ),
        migrations.AddConstraint(
            model_name='fieldreport',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('corrects_id__isnull', False), ('kind', 'CORRECTION'), models.Q(('corrected_kind', ''), _negated=True)), models.Q(models.Q(('kind', 'CORRECTION'), _negated=True), ('corrected_kind', ''), ('corrects_id__isnull', True)), _connector='OR'), name='report_correction_names_what_it_corrects', violation_error_message='A correction names a report and what it should have said.'),
        ),
        migrations.AddConstraint(
            model_name='fieldreport',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('kind', 'OFFICE'), models.Q(('set_status', ''), _negated=True)), models.Q(models.Q(('kind', 'OFFICE'), _negated=True), ('set_status', '')), _connector='OR'), name='report_office_sets_a_status', violation_error_message='What the office sets has a status.'),
        ),
        migrations.AddConstraint(
            model_name='fieldreport',
            constraint=models.CheckConstraint(condition=models.Q(('share_done__isnull', True), models.Q(('share_done__gte', 0), ('share_done__lte', 1)), _connector='OR'), name='report_share_between_0_and_1', violation_error_message='The share done is between 0 and 1.'),
        ),
        migrations.AddConstraint(
            model_name='reportphoto',
            constraint=models.UniqueConstraint(fields=('report', 'sha256'), name='photo_once_per_report'),
        ),
    ]
