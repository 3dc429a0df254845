import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ("crews", "0002_firm_weather_and_costs"),
        ("jobs", "0007_reports"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.AddField(
            model_name='job',
            name='tells_buyer',
            field=models.BooleanField(default=False, help_text='Send the buyer a message when the published start or finish day moves.', verbose_name='tells the buyer'),
        ),
        migrations.CreateModel(
            name='KnownFacts',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('compared_at', models.DateTimeField()),
                ('facts', models.BinaryField()),
                ('finishes', models.JSONField(default=dict)),
                ('plan', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='known_facts', to='jobs.plan')),
            ],
        ),
        migrations.CreateModel(
            name='Slip',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('event', models.CharField(editable=False, help_text='Names what happened.', max_length=160)),
                ('what', models.CharField(help_text='What happened, in words.', max_length=200)),
                ('cause', models.CharField(blank=True, choices=[('WEATHER', 'Weather'), ('INSPECTION', 'Inspection'), ('MATERIAL', 'Material'), ('CREW', 'Crew'), ('EQUIPMENT', 'Equipment'), ('SITE_NOT_READY', 'Site not ready'), ('BUYERS_CHANGE', "Buyer's change"), ('REWORK', 'Rework'), ('ESTIMATE', 'Estimate'), ('KNOCK_ON', 'Knock-on')], max_length=14)),
                ('happened_at', models.DateTimeField()),
                ('found_at', models.DateTimeField()),
                ('phase_quarters', models.IntegerField(help_text='By which the phase ends later.')),
                ('job_quarters', models.IntegerField(help_text='By which the job ends later.')),
                ('day_quarters', models.PositiveSmallIntegerField()),
                ('promise', models.CharField(choices=[('NONE', 'No promise'), ('KEPT', 'Kept'), ('BROKEN', 'Broken by this'), ('LATE_BEFORE', 'Was late before')], default='NONE', max_length=11)),
                ('pushed', models.JSONField(default=list, help_text='The bookings it moves.')),
                ('ended_at', models.DateTimeField(blank=True, null=True)),
                ('ended_because', models.CharField(blank=True, choices=[('RECOVERED', 'Recovered'), ('REPLANNED', 'A new plan tells it'), ('FINISHED', 'The job is done')], max_length=9)),
                ('cause_job', models.ForeignKey(blank=True, help_text='Whose lateness is passed on.', null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='slips_caused', to='jobs.job')),
                ('crew', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='slips', to='crews.crew')),
                ('job', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='slips', to='jobs.job')),
                ('phase', models.ForeignKey(help_text='What moves first.', on_delete=django.db.models.deletion.CASCADE, related_name='slips', to='jobs.phase')),
                ('plan', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='slips', to='jobs.plan')),
            ],
        ),
        migrations.CreateModel(
            name='SlipStep',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('event', models.CharField(max_length=160)),
                ('what', models.CharField(max_length=200)),
                ('cause', models.CharField(blank=True, choices=[('WEATHER', 'Weather'), ('INSPECTION', 'Inspection'), ('MATERIAL', 'Material'), ('CREW', 'Crew'), ('EQUIPMENT', 'Equipment'), ('SITE_NOT_READY', 'Site not ready'), ('BUYERS_CHANGE', "Buyer's change"), ('REWORK', 'Rework'), ('ESTIMATE', 'Estimate'), ('KNOCK_ON', 'Knock-on')], max_length=14)),
                ('happened_at', models.DateTimeField()),
                ('compared_at', models.DateTimeField()),
                ('number', models.PositiveIntegerField(help_text='Order within one comparison.')),
                ('ends_before', models.DateTimeField()),
                ('ends_after', models.DateTimeField()),
                ('quarters', models.IntegerField(help_text='Working quarter hours later; negative is sooner.')),
                ('job', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='slip_steps', to='jobs.job')),
                ('plan', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='slip_steps', to='jobs.plan')),
                ('slip', models.ForeignKey(blank=True, help_text='None where it is too little to be one.', null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='steps', to='jobs.slip')),
            ],
        ),
        migrations.CreateModel(
            name='TaskRequest',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(choices=[('SLIPS', 'Compare with the published plan'), ('HOLDS', 'Flag inspection holds'), ('FEEDS', "Bring crews' calendars in step"), ('SHEET', 'Write the morning sheet')], max_length=5)),
                ('reason', models.CharField(max_length=200)),
                ('once', models.CharField(blank=True, help_text='Set where it is to be done once, like each morning.', max_length=80, null=True, unique=True)),
                ('status', models.CharField(choices=[('QUEUED', 'Queued'), ('RUNNING', 'Running'), ('DONE', 'Done'), ('PARKED', 'Parked')], default='QUEUED', max_length=7)),
                ('requested_at', models.DateTimeField()),
                ('next_try_at', models.DateTimeField()),
                ('claimed_at', models.DateTimeField(blank=True, null=True)),
                ('claim', models.UUIDField(blank=True, editable=False, null=True)),
                ('finished_at', models.DateTimeField(blank=True, null=True)),
                ('tries', models.PositiveSmallIntegerField(default=0)),
                ('progress_percent', models.PositiveSmallIntegerField(default=0)),
                ('progress_text', models.CharField(blank=True, max_length=200)),
                ('error', models.CharField(blank=True, max_length=300)),
            ],
            options={
                'indexes': [models.Index(fields=['status', 'next_try_at'], name='task_request_due')],
            },
        ),
        migrations.CreateModel(
            name='Notice',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('event', models.CharField(help_text='Names what happened.', max_length=160)),
                ('person', models.CharField(help_text='Whom it tells, like user:4 or buyer:12.', max_length=60)),
                ('kind', models.CharField(choices=[('PLAN', 'Published plan'), ('SLIP', 'Slip'), ('HOLD', 'Inspection hold'), ('SHEET', 'Morning sheet')], max_length=5)),
                ('name', models.CharField(blank=True, max_length=80)),
                ('email', models.EmailField(blank=True, max_length=254)),
                ('subject', models.CharField(max_length=200)),
                ('body', models.TextField()),
                ('state', models.CharField(choices=[('WAITING', 'Waiting'), ('SENT', 'Sent'), ('PARKED', 'Parked')], default='WAITING', max_length=7)),
                ('made_at', models.DateTimeField()),
                ('next_try_at', models.DateTimeField(help_text='Not sent before.')),
                ('claimed_at', models.DateTimeField(blank=True, null=True)),
                ('message_id', models.UUIDField(blank=True, db_index=True, default=None, null=True)),
                ('tries', models.PositiveSmallIntegerField(default=0)),
                ('sent_at', models.DateTimeField(blank=True, null=True)),
                ('error', models.CharField(blank=True, max_length=300)),
                ('user', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='notices', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'indexes': [models.Index(fields=['state', 'next_try_at'], name='notice_due')],
                'constraints': [models.UniqueConstraint(fields=('event', 'person', 'kind'), name='notice_once_per_event_and_person'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'SENT'), ('sent_at__isnull', False)), models.Q(models.Q(('state', 'SENT'), _negated=True), ('sent_at', None)), _connector='OR'), name='notice_sent_has_its_moment')],
            },
        ),
        migrations.CreateModel(
            name='ReplanProposal',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('state', models.CharField(choices=[('OPEN', 'Waits for the office'), ('ACCEPTED', 'Accepted'), ('DROPPED', 'Dropped'), ('OVERTAKEN', 'Another plan was published')], default='OPEN', max_length=9)),
                ('reason', models.CharField(help_text='What it answers.', max_length=200)),
                ('made_at', models.DateTimeField()),
                ('decided_at', models.DateTimeField(blank=True, null=True)),
                ('drop_reason', models.CharField(blank=True, max_length=200)),
                ('decided_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, to=settings.AUTH_USER_MODEL)),
                ('plan', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='proposals', to='jobs.plan')),
            ],
            options={
                'verbose_name': 're-plan proposal',
                'constraints': [models.UniqueConstraint(condition=models.Q(('state', 'OPEN')), fields=('state',), name='proposal_one_open', violation_error_message='Another proposal waits for the office already.'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'DROPPED'), _negated=True), models.Q(('drop_reason', ''), _negated=True), _connector='OR'), name='proposal_dropped_says_why', violation_error_message='Say why it is dropped.'), models.CheckConstraint(condition=models.Q(('decided_at', None), ('decided_at__gte', models.F('made_at')), _connector='OR'), name='proposal_decided_after_made', violation_error_message='It was decided before it was made.')],
            },
        ),
        migrations.AddIndex(
            model_name='slip',
            index=models.Index(fields=['plan', 'ended_at'], name='slip_open_by_plan'),
        ),
        migrations.AddConstraint(
            model_name='slip',
            constraint=models.UniqueConstraint(fields=('plan', 'job', 'event'), name='slip_once_per_event'),
        ),
        migrations.AddConstraint(
            model_name='slip',
            constraint=models.CheckConstraint(condition=models.Q(('day_quarters__gt', 0)), name='slip_day_above_zero', violation_error_message='A working day has at least one quarter hour.'),
        ),
        migrations.AddConstraint(
            model_name='slip',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('ended_at', None), ('ended_because', '')), models.Q(('ended_at__isnull', False), models.Q(('ended_because', ''), _negated=True)), _connector='OR'), name='slip_ends_with_a_reason', violation_error_message='A slip that has ended says why.'),
        ),
        migrations.AddConstraint(
            model_name='slipstep',
            constraint=models.UniqueConstraint(fields=('plan', 'job', 'compared_at', 'number'), name='slip_step_once'),
        ),
    ]
