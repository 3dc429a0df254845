import crews.models.firm
import django.core.validators
import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('crews', '0004_feeds'),
        ('jobs', '0011_board'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='Callback',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(choices=[('PUNCH', 'Punch list'), ('WARRANTY', 'Under warranty'), ('OUTSIDE', 'Outside warranty')], max_length=8)),
                ('what', models.CharField(help_text='What is to be put right, and where.', max_length=200)),
                ('asked_on', models.DateField(help_text='The day the buyer called or the walk-through was.')),
                ('asked_by', models.CharField(blank=True, help_text='Who asked.', max_length=80)),
                ('promised_on', models.DateField(help_text='The day given to the buyer, at the latest.', validators=[django.core.validators.MaxValueValidator(crews.models.firm.farthest_day, '%(show_value)s is more than five years ahead. Enter the year again.')])),
                ('labor_hours', models.FloatField(default=2, help_text='Hours of all people at the site, without driving.', validators=[django.core.validators.MinValueValidator(0.25), django.core.validators.MaxValueValidator(200)])),
                ('done_on', models.DateField(blank=True, null=True)),
                ('done_note', models.CharField(blank=True, help_text='What was done.', max_length=200)),
            ],
        ),
        migrations.CreateModel(
            name='CheckedFile',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('batch', models.UUIDField(db_index=True, help_text='The same for files checked together.')),
                ('name', models.CharField(max_length=120)),
                ('data', models.BinaryField()),
                ('checked_at', models.DateTimeField()),
            ],
        ),
        migrations.AddField(
            model_name='job',
            name='site_latitude_deg',
            field=models.FloatField(blank=True, help_text='North is above 0. With it, drives between sites are known better.', null=True, validators=[django.core.validators.MinValueValidator(-90), django.core.validators.MaxValueValidator(90)], verbose_name='latitude (°)'),
        ),
        migrations.AddField(
            model_name='job',
            name='site_longitude_deg',
            field=models.FloatField(blank=True, help_text='West is below 0.', null=True, validators=[django.core.validators.MinValueValidator(-180), django.core.validators.MaxValueValidator(180)], verbose_name='longitude (°)'),
        ),
        migrations.AddConstraint(
            model_name='job',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('site_latitude_deg__isnull', True), ('site_longitude_deg__isnull', True)), models.Q(('site_latitude_deg__isnull', False), ('site_longitude_deg__isnull', False)), _connector='OR'), name='job_site_has_both_degrees_or_none', violation_error_message='Enter latitude and longitude, or neither.'),
        ),
        migrations.AddField(
            model_name='callback',
            name='job',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='callbacks', to='jobs.job'),
        ),
        migrations.AddField(
            model_name='callback',
            name='round',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='callbacks', to='jobs.setaside'),
        ),
        migrations.AddField(
            model_name='checkedfile',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddIndex(
            model_name='callback',
            index=models.Index(fields=['done_on', 'promised_on'], name='callback_open'),
        ),
        migrations.AddConstraint(
            model_name='callback',
            constraint=models.CheckConstraint(condition=models.Q(('promised_on__gte', models.F('asked_on'))), name='callback_promised_after_it_was_asked_for', violation_error_message='The promise is before the day it was asked for.'),
        ),
        migrations.AddConstraint(
            model_name='callback',
            constraint=models.CheckConstraint(condition=models.Q(('done_on__isnull', True), ('done_on__gte', models.F('asked_on')), _connector='OR'), name='callback_done_after_it_was_asked_for', violation_error_message='This is before the day it was asked for.'),
        ),
        migrations.AddConstraint(
            model_name='callback',
            constraint=models.CheckConstraint(condition=models.Q(('labor_hours__gt', 0)), name='callback_takes_hours', violation_error_message='A callback takes more than 0 hours.'),
        ),
        migrations.AddConstraint(
            model_name='checkedfile',
            constraint=models.UniqueConstraint(fields=('batch', 'name'), name='checked_file_once_per_batch'),
        ),
    ]
