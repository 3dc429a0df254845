import crews.models
import django.core.validators
import django.db.models.deletion
import inspections.models.weather
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
        ('inspections', '0004_locate'),
        ('jobs', '0001_initial'),
    ]

    operations = [
        migrations.CreateModel(
            name='WeatherLimit',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('gate', models.CharField(choices=[('GROUND', 'Mud and frost'), ('CONCRETE', 'Concrete'), ('TRUSS', 'Wind on trusses'), ('ROOF', 'Wet or windy roof'), ('WALL', 'Wind on wall steel'), ('LIFT', 'Wind on lifts'), ('OUTDOORS', 'All outdoor work')], max_length=8, unique=True)),
                ('caution_wind_mph', models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(100)], verbose_name='caution from wind (mph)')),
                ('stop_wind_mph', models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(100)], verbose_name='stop from wind (mph)')),
                ('stop_gust_mph', models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(120)], verbose_name='stop from gusts (mph)')),
                ('stop_rain_in', models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(0.01), django.core.validators.MaxValueValidator(5)], verbose_name='stop from rain (in)')),
                ('caution_degf', models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(-60), django.core.validators.MaxValueValidator(100)], verbose_name='caution below (°F)')),
                ('stop_degf', models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(-60), django.core.validators.MaxValueValidator(100)], verbose_name='stop below (°F)')),
                ('caution_heat_degf', models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(60), django.core.validators.MaxValueValidator(140)], verbose_name='caution from heat index (°F)')),
                ('stop_heat_degf', models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(60), django.core.validators.MaxValueValidator(160)], verbose_name='stop from heat index (°F)')),
                ('caution_chill_degf', models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(-80), django.core.validators.MaxValueValidator(50)], verbose_name='caution below wind chill (°F)')),
                ('note', models.CharField(blank=True, max_length=120)),
            ],
            options={
                'verbose_name': 'weather limit',
            },
        ),
        migrations.CreateModel(
            name='WeatherArea',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=60, unique=True)),
                ('counties', models.CharField(blank=True, help_text='Counties with their state, like Harrow County OH; Oxbow County OH.', max_length=400, validators=[inspections.models.weather.validate_counties])),
                ('is_default', models.BooleanField(default=False, help_text='Jobs of all other counties are here.', verbose_name='default')),
                ('forecast_url', models.CharField(blank=True, help_text='JSON of the US National Weather Service: gridpoint data (with amounts of rain) or the hourly forecast. Empty: nothing is fetched.', max_length=300, validators=[django.core.validators.URLValidator(schemes=('http', 'https'))], verbose_name='forecast address')),
                ('month_temperatures_degf', models.CharField(blank=True, help_text="Twelve numbers, January first. Empty: the firm's own.", max_length=80, validators=[crews.models.validate_month_temperatures], verbose_name='mean temperature by month (°F)')),
                ('rain_days_010', models.CharField(default='7 6 7 8 8 7 7 6 6 6 7 7', help_text='By month, as the normals of a nearby station tell. They stop roof steel.', max_length=80, validators=[inspections.models.weather.validate_month_days], verbose_name='days with 0.10 in of rain or more')),
                ('rain_days_025', models.CharField(default='3.5 3 4 4.5 5 4.5 4.5 4 3.5 3.5 3.5 3.5', help_text='They stop framing, wall steel and concrete.', max_length=80, validators=[inspections.models.weather.validate_month_days], verbose_name='days with 0.25 in or more')),
                ('rain_days_050', models.CharField(default='1.5 1.3 1.8 2.1 2.5 2.5 2.5 2.1 1.9 1.6 1.7 1.5', help_text='They stop digging, and mud follows.', max_length=80, validators=[inspections.models.weather.validate_month_days], verbose_name='days with 0.50 in or more')),
                ('windy_days', models.CharField(default='4 4 5 4 2 1 1 1 1 2 3 4', help_text='Days with wind over the limit of trusses and roof steel.', max_length=80, validators=[inspections.models.weather.validate_month_days], verbose_name='days too windy for trusses')),
                ('mud_days_good', models.PositiveSmallIntegerField(default=1, validators=[django.core.validators.MaxValueValidator(10)], verbose_name='mud days in good soil')),
                ('mud_days_hard', models.PositiveSmallIntegerField(default=2, help_text='Days after heavy rain in which clay does not carry an auger.', validators=[django.core.validators.MaxValueValidator(10)], verbose_name='mud days in clay')),
                ('mud_days_rock', models.PositiveSmallIntegerField(default=0, validators=[django.core.validators.MaxValueValidator(10)], verbose_name='mud days on rock')),
                ('last_good_at', models.DateTimeField(editable=False, null=True)),
                ('last_tried_at', models.DateTimeField(editable=False, null=True)),
                ('last_error', models.CharField(blank=True, editable=False, max_length=300)),
            ],
            options={
                'constraints': [models.UniqueConstraint(condition=models.Q(('is_default', True)), fields=('is_default',), name='weather_area_one_default', violation_error_message='Another area is the default already.')],
            },
        ),
        migrations.CreateModel(
            name='SiteReadiness',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('most_fall_in', models.FloatField(blank=True, help_text="Across this building. Empty: the firm's own limit.", null=True, validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(240)], verbose_name='most fall (in)')),
                ('expected_on', models.DateField(blank=True, help_text='When the site should be graded; the plan waits for the day after.', null=True, validators=[django.core.validators.MaxValueValidator(crews.models.farthest_day, '%(show_value)s is more than five years ahead. Enter the year again.')])),
                ('released_at', models.DateTimeField(blank=True, editable=False, null=True)),
                ('release_why', models.CharField(blank=True, editable=False, max_length=200)),
                ('job', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='site_readiness', to='jobs.job')),
                ('released_by', models.ForeignKey(blank=True, editable=False, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'verbose_name_plural': 'site readiness',
                'constraints': [models.CheckConstraint(condition=models.Q(('released_at__isnull', True), models.Q(('release_why', ''), _negated=True), _connector='OR'), name='site_release_says_why', violation_error_message='A release says why.')],
            },
        ),
        migrations.CreateModel(
            name='SiteShot',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('taken_on', models.DateField()),
                ('place', models.CharField(choices=[('FRONT_LEFT', 'Front left'), ('FRONT_RIGHT', 'Front right'), ('BACK_RIGHT', 'Back right'), ('BACK_LEFT', 'Back left'), ('CENTER', 'Center')], max_length=11)),
                ('kind', models.CharField(choices=[('ROD', 'Rod'), ('HEIGHT', 'Height')], default='ROD', help_text='Rod: a larger number is lower ground. Height: larger is higher.', max_length=6)),
                ('reading_ft', models.FloatField(help_text='In feet and tenths, all of one set-up.', validators=[django.core.validators.MinValueValidator(-10000), django.core.validators.MaxValueValidator(10000)], verbose_name='reading (ft)')),
                ('taken_by', models.CharField(blank=True, max_length=60)),
                ('job', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='site_shots', to='jobs.job')),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('job', 'taken_on', 'place'), name='site_shot_once_a_day_and_place', violation_error_message='This place was shot on that day. Correct that row.')],
            },
        ),
        migrations.CreateModel(
            name='WeatherHour',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('starts_at', models.DateTimeField()),
                ('source', models.CharField(choices=[('FORECAST', 'Forecast'), ('CSV', 'File'), ('BY_HAND', 'By hand'), ('MEASURED', 'Measured')], max_length=8)),
                ('made_at', models.DateTimeField()),
                ('temp_degf', models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(-80), django.core.validators.MaxValueValidator(135)])),
                ('wind_mph', models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(150)])),
                ('gust_mph', models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(250)])),
                ('rain_in', models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(12)])),
                ('humidity_percent', models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(100)])),
                ('thunder', models.BooleanField(default=False)),
                ('area', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='hours', to='inspections.weatherarea')),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('area', 'starts_at', 'source'), name='weather_hour_once_per_source')],
            },
        ),
    ]
