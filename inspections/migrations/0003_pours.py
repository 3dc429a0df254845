import django.core.validators
import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ("inspections", "0002_visits"),
        ("jobs", "0004_what_stands_behind_a_start"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='Pour',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('poured_at', models.DateTimeField(help_text='When the last of it was placed, site time.')),
                ('part', models.CharField(blank=True, help_text='Where a phase is poured in parts, which of them, like holes 1-8. Empty means all of it.', max_length=60)),
                ('mix_psi', models.PositiveIntegerField(default=3000, help_text="28-day strength as ordered, f'c.", validators=[django.core.validators.MinValueValidator(1000), django.core.validators.MaxValueValidator(15000)], verbose_name='mix (psi)')),
                ('cement', models.CharField(choices=[('I', 'Type I, ordinary'), ('III', 'Type III, high early strength')], default='I', max_length=3)),
                ('cured', models.CharField(choices=[('MOIST', 'Moist: in the ground, wet or covered'), ('STEAM', 'Steam')], default='MOIST', max_length=5)),
                ('is_accelerated', models.BooleanField(default=False, help_text='An accelerator or 100 lb more cement to the yard. It shortens the protection against cold; strength is counted without it.', verbose_name='accelerator')),
                ('placed_degf', models.FloatField(blank=True, help_text="The concrete's own.", null=True, validators=[django.core.validators.MinValueValidator(-60), django.core.validators.MaxValueValidator(200)], verbose_name='placed at (°F)')),
                ('ground_degf', models.FloatField(blank=True, help_text='The ground it was placed on. Never place on frozen ground.', null=True, validators=[django.core.validators.MinValueValidator(-60), django.core.validators.MaxValueValidator(200)], verbose_name='ground (°F)')),
                ('protected_until', models.DateTimeField(blank=True, help_text='Covered or heated against the cold until then.', null=True)),
                ('note', models.CharField(blank=True, max_length=200)),
                ('phase', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='pours', to='jobs.phase')),
            ],
        ),
        migrations.CreateModel(
            name='PourReading',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('taken_at', models.DateTimeField()),
                ('temp_degf', models.FloatField(validators=[django.core.validators.MinValueValidator(-60), django.core.validators.MaxValueValidator(200)], verbose_name='temperature (°F)')),
                ('of', models.CharField(choices=[('CONCRETE', 'Concrete'), ('AIR', 'Air')], default='CONCRETE', max_length=8)),
                ('pour', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='readings', to='inspections.pour')),
            ],
            options={
                'verbose_name': 'temperature reading',
            },
        ),
        migrations.CreateModel(
            name='StrengthNeed',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('poured_phase', models.CharField(choices=[('POUR', 'Pour pads'), ('POSTS', 'Set posts'), ('SLAB', 'Slab')], max_length=20)),
                ('following_phase', models.CharField(choices=[('POSTS', 'Set posts'), ('FRAME', 'Frame walls'), ('TRUSSES', 'Set trusses and purlins'), ('OVERHEAD_DOORS', 'Overhead doors'), ('LINER', 'Steel liner')], max_length=20)),
                ('strength_percent', models.FloatField(help_text='Of the 28-day strength.', validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(100)], verbose_name='strength (%)')),
                ('minimum_hours', models.FloatField(blank=True, help_text='Empty: as the starter value.', null=True, validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(1440)], verbose_name='never less than (hours)')),
                ('stated_by', models.CharField(help_text='Whose figure it is: the engineer, and the sheet it stands on.', max_length=120)),
                ('entered_at', models.DateTimeField(blank=True, editable=False, null=True)),
                ('entered_by', models.ForeignKey(blank=True, editable=False, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('job', models.ForeignKey(blank=True, help_text='Empty: for every job that has no figure of its own.', null=True, on_delete=django.db.models.deletion.CASCADE, related_name='strength_needs', to='jobs.job')),
            ],
            options={
                'verbose_name': 'strength needed',
                'verbose_name_plural': 'strengths needed',
            },
        ),
        migrations.AddConstraint(
            model_name='pour',
            constraint=models.UniqueConstraint(fields=('phase', 'poured_at', 'part'), name='pour_once'),
        ),
        migrations.AddConstraint(
            model_name='pour',
            constraint=models.CheckConstraint(condition=models.Q(('protected_until__isnull', True), ('protected_until__gt', models.F('poured_at')), _connector='OR'), name='pour_protected_after_it_is_placed', violation_error_message='The protection ends before the pour. Enter a later time.'),
        ),
        migrations.AddConstraint(
            model_name='pourreading',
            constraint=models.UniqueConstraint(fields=('pour', 'taken_at', 'of'), name='reading_once', violation_error_message='There is a reading of this moment. Correct that one.'),
        ),
        migrations.AddConstraint(
            model_name='strengthneed',
            constraint=models.UniqueConstraint(fields=('job', 'poured_phase', 'following_phase'), name='strength_need_once_per_job', violation_error_message='This job has a figure for these two phases. Change it.'),
        ),
        migrations.AddConstraint(
            model_name='strengthneed',
            constraint=models.UniqueConstraint(condition=models.Q(('job__isnull', True)), fields=('poured_phase', 'following_phase'), name='strength_need_once_for_the_firm', violation_error_message='The firm has a figure for these two phases. Change it.'),
        ),
        migrations.AddConstraint(
            model_name='strengthneed',
            constraint=models.CheckConstraint(condition=models.Q(('strength_percent__gt', 0), ('strength_percent__lte', 100)), name='strength_need_above_0_and_at_most_100', violation_error_message='The strength needed is above 0 % and at most 100 %.'),
        ),
    ]
