import django.core.validators
import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('crews', '0002_firm_weather_and_costs'),
        ('jobs', '0008_slips_and_notices'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.AlterField(
            model_name='taskrequest',
            name='kind',
            field=models.CharField(choices=[('SLIPS', 'Compare with the published plan'), ('HOLDS', 'Flag inspection holds'), ('FEEDS', "Bring crews' calendars in step"), ('SHEET', 'Write the morning sheet'), ('ODDS', 'Forecast the published plan')], max_length=5),
        ),
        migrations.CreateModel(
            name='Forecast',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('status', models.CharField(choices=[('MAKING', 'Being made'), ('DONE', 'Done'), ('OVERTAKEN', 'The work changed meanwhile')], default='MAKING', max_length=9)),
                ('as_of', models.DateTimeField(help_text='The moment whose knowledge it rests on.')),
                ('made_at', models.DateTimeField(blank=True, null=True)),
                ('draws', models.PositiveIntegerField(validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(100000)])),
                ('seed', models.PositiveIntegerField(default=1)),
                ('policy', models.CharField(help_text='How work is taken in each draw.', max_length=300)),
                ('state', models.CharField(help_text='Names the open work and its chances.', max_length=80)),
                ('plan', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='forecasts', to='jobs.plan')),
            ],
        ),
        migrations.CreateModel(
            name='ForecastChunk',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('first_run', models.PositiveIntegerField()),
                ('runs', models.PositiveIntegerField(validators=[django.core.validators.MinValueValidator(1)])),
                ('dates', models.BinaryField(blank=True, null=True)),
                ('forecast', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='chunks', to='jobs.forecast')),
            ],
        ),
        migrations.CreateModel(
            name='JobForecast',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('start_p10', models.DateTimeField(blank=True, help_text='Not later than this with a chance of 10 %.', null=True)),
                ('start_p50', models.DateTimeField(blank=True, help_text='Not later than this with a chance of 50 %.', null=True)),
                ('start_p80', models.DateTimeField(blank=True, help_text='Not later than this with a chance of 80 %.', null=True)),
                ('start_p90', models.DateTimeField(blank=True, help_text='Not later than this with a chance of 90 %.', null=True)),
                ('finish_p10', models.DateTimeField(blank=True, help_text='Not later than this with a chance of 10 %.', null=True)),
                ('finish_p50', models.DateTimeField(blank=True, help_text='Not later than this with a chance of 50 %.', null=True)),
                ('finish_p80', models.DateTimeField(blank=True, help_text='Not later than this with a chance of 80 %.', null=True)),
                ('finish_p90', models.DateTimeField(blank=True, help_text='Not later than this with a chance of 90 %.', null=True)),
                ('promised_on', models.DateField(blank=True, null=True)),
                ('planned_finish_at', models.DateTimeField(blank=True, null=True)),
                ('keep_chance', models.FloatField(blank=True, help_text='Chance to end on the promised day or before, 0 to 1.', null=True)),
                ('expected_days_late', models.FloatField(blank=True, help_text='Mean of calendar days past the promise; early counts 0.', null=True)),
                ('finish_days', models.JSONField(default=list)),
                ('drivers', models.JSONField(default=dict)),
                ('no_dates_because', models.CharField(blank=True, max_length=300)),
                ('forecast', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='jobs', to='jobs.forecast')),
                ('job', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='forecasts', to='jobs.job')),
            ],
        ),
        migrations.CreateModel(
            name='LeftOutWork',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('reason', models.CharField(max_length=200)),
                ('at', models.DateTimeField()),
                ('by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('phase', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='left_out', to='jobs.phase')),
            ],
            options={
                'verbose_name_plural': 'work left out',
            },
        ),
        migrations.CreateModel(
            name='PhaseForecast',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('start_p10', models.DateTimeField(blank=True, help_text='Not later than this with a chance of 10 %.', null=True)),
                ('start_p50', models.DateTimeField(blank=True, help_text='Not later than this with a chance of 50 %.', null=True)),
                ('start_p80', models.DateTimeField(blank=True, help_text='Not later than this with a chance of 80 %.', null=True)),
                ('start_p90', models.DateTimeField(blank=True, help_text='Not later than this with a chance of 90 %.', null=True)),
                ('finish_p10', models.DateTimeField(blank=True, help_text='Not later than this with a chance of 10 %.', null=True)),
                ('finish_p50', models.DateTimeField(blank=True, help_text='Not later than this with a chance of 50 %.', null=True)),
                ('finish_p80', models.DateTimeField(blank=True, help_text='Not later than this with a chance of 80 %.', null=True)),
                ('finish_p90', models.DateTimeField(blank=True, help_text='Not later than this with a chance of 90 %.', null=True)),
                ('planned_start_at', models.DateTimeField()),
                ('planned_finish_at', models.DateTimeField()),
                ('crew', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, to='crews.crew')),
                ('forecast', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='phases', to='jobs.forecast')),
                ('phase', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='forecasts', to='jobs.phase')),
            ],
        ),
        migrations.AddIndex(
            model_name='forecast',
            index=models.Index(fields=['status', 'as_of'], name='forecast_as_of'),
        ),
        migrations.AddConstraint(
            model_name='forecast',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('status', 'DONE'), ('made_at__isnull', False)), models.Q(('status', 'DONE'), _negated=True), _connector='OR'), name='forecast_done_has_its_moment', violation_error_message='A forecast that is done says when it was made.'),
        ),
        migrations.AddConstraint(
            model_name='forecastchunk',
            constraint=models.UniqueConstraint(fields=('forecast', 'first_run'), name='forecast_chunk_once'),
        ),
        migrations.AddConstraint(
            model_name='jobforecast',
            constraint=models.UniqueConstraint(fields=('forecast', 'job'), name='job_forecast_once'),
        ),
        migrations.AddConstraint(
            model_name='jobforecast',
            constraint=models.CheckConstraint(condition=models.Q(('keep_chance__isnull', True), models.Q(('keep_chance__gte', 0), ('keep_chance__lte', 1)), _connector='OR'), name='job_forecast_chance_between_0_and_1'),
        ),
        migrations.AddConstraint(
            model_name='leftoutwork',
            constraint=models.CheckConstraint(condition=models.Q(('reason', ''), _negated=True), name='left_out_work_says_why', violation_error_message='Say why it is left out.'),
        ),
        migrations.AddConstraint(
            model_name='phaseforecast',
            constraint=models.UniqueConstraint(fields=('forecast', 'phase'), name='phase_forecast_once'),
        ),
        migrations.AddConstraint(
            model_name='phaseforecast',
            constraint=models.CheckConstraint(condition=models.Q(('planned_finish_at__gt', models.F('planned_start_at'))), name='phase_forecast_planned_ends_after_it_starts'),
        ),
    ]
