import crews.models.firm
import django.core.validators
import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('crews', '0004_feeds'),
        ('jobs', '0010_buyer_links'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='BoardMove',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(choices=[('MOVE', 'Phase moved'), ('FREE', 'Pin taken off'), ('SPLIT', 'Phase split'), ('SWAP', 'Crews swapped'), ('LEND', 'People lent'), ('ASIDE', 'Time set aside'), ('BLOCK', 'Days blocked')], max_length=5)),
                ('words', models.CharField(help_text='The move as a person would tell it.', max_length=300)),
                ('made_at', models.DateTimeField()),
                ('touched', models.JSONField(default=list)),
                ('moved', models.JSONField(default=list)),
                ('undone_at', models.DateTimeField(blank=True, null=True)),
                ('by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='board_moves', to=settings.AUTH_USER_MODEL)),
                ('plan', models.ForeignKey(blank=True, help_text='The draft it made.', null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='board_moves', to='jobs.plan')),
                ('undone_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='board_moves_undone', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'indexes': [models.Index(fields=['made_at'], name='board_move_made_at')],
            },
        ),
        migrations.CreateModel(
            name='LentPeople',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('people', models.PositiveSmallIntegerField(default=1, validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(19)])),
                ('first_day', models.DateField(validators=[django.core.validators.MaxValueValidator(crews.models.firm.farthest_day, '%(show_value)s is more than five years ahead. Enter the year again.')])),
                ('last_day', models.DateField(validators=[django.core.validators.MaxValueValidator(crews.models.firm.farthest_day, '%(show_value)s is more than five years ahead. Enter the year again.')])),
                ('note', models.CharField(blank=True, help_text='Who it is, or why.', max_length=120)),
                ('from_crew', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='lends', to='crews.crew')),
                ('to_crew', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='borrows', to='crews.crew')),
            ],
            options={
                'verbose_name': 'lent people',
                'verbose_name_plural': 'lent people',
                'constraints': [models.CheckConstraint(condition=models.Q(('last_day__gte', models.F('first_day'))), name='lent_people_end_after_they_start', violation_error_message='The last day is before the first day.'), models.CheckConstraint(condition=models.Q(('from_crew', models.F('to_crew')), _negated=True), name='lent_people_to_another_crew', violation_error_message='A crew cannot lend people to itself.')],
            },
        ),
        migrations.CreateModel(
            name='SetAside',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(choices=[('SHOP', 'Shop day'), ('CALLBACK', 'Callback visit'), ('OTHER', 'Other work')], max_length=8)),
                ('starts_at', models.DateTimeField()),
                ('ends_at', models.DateTimeField()),
                ('note', models.CharField(blank=True, max_length=120)),
                ('crew', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='set_aside', to='crews.crew')),
                ('job', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.CASCADE, related_name='set_aside', to='jobs.job')),
            ],
            options={
                'verbose_name': 'time set aside',
                'verbose_name_plural': 'time set aside',
                'indexes': [models.Index(fields=['crew', 'starts_at'], name='set_aside_crew_start')],
                'constraints': [models.CheckConstraint(condition=models.Q(('ends_at__gt', models.F('starts_at'))), name='set_aside_ends_after_it_starts', violation_error_message='It ends after it starts.')],
            },
        ),
    ]
