import crews.models
import django.core.validators
import django.db.models.deletion
from django.db import migrations, models

from contractor.trade.lead_times import STARTER_LEAD_TIMES


def write_starter_lead_times(apps, schema_editor):
    """Give the office rows to correct; what it has written already stays."""
    lead_time = apps.get_model("jobs", "LeadTime")
    lead_time.objects.bulk_create(
        [
            lead_time(
                item=starter.item,
                supplier=starter.supplier,
                post_kind=starter.post_kind,
                over_span_ft=starter.over_span_ft,
                to_span_ft=starter.to_span_ft,
                days=starter.days,
                source=starter.source,
            )
            for starter in STARTER_LEAD_TIMES
        ],
        ignore_conflicts=True,
    )


class Migration(migrations.Migration):

    dependencies = [
        ("jobs", "0004_what_stands_behind_a_start"),
    ]

    operations = [
        migrations.CreateModel(
            name='DeliveryReport',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('item', models.CharField(choices=[('PRECAST_PIERS', 'Precast piers'), ('CONCRETE', 'Concrete'), ('POSTS', 'Posts'), ('TRUSSES', 'Trusses'), ('STEEL', 'Steel and trim'), ('OVERHEAD_DOORS', 'Overhead doors'), ('WINDOWS_AND_DOORS', 'Windows and walk doors'), ('LINER', 'Liner'), ('INSULATION', 'Insulation')], max_length=20)),
                ('kind', models.CharField(choices=[('CONFIRMED', 'Confirmed'), ('PROMISED', 'Promised for'), ('ARRIVED', 'Arrived')], max_length=9)),
                ('told_at', models.DateTimeField()),
                ('told_by', models.CharField(blank=True, max_length=150)),
                ('note', models.CharField(blank=True, max_length=200)),
                ('promised_before', models.DateField(blank=True, null=True)),
                ('confirmed_before', models.DateField(blank=True, null=True)),
                ('arrived_before', models.DateField(blank=True, null=True)),
                ('shortage_before', models.CharField(blank=True, max_length=200)),
                ('undone_at', models.DateTimeField(blank=True, null=True)),
            ],
        ),
        migrations.CreateModel(
            name='LeadTime',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('item', models.CharField(choices=[('PRECAST_PIERS', 'Precast piers'), ('CONCRETE', 'Concrete'), ('POSTS', 'Posts'), ('TRUSSES', 'Trusses'), ('STEEL', 'Steel and trim'), ('OVERHEAD_DOORS', 'Overhead doors'), ('WINDOWS_AND_DOORS', 'Windows and walk doors'), ('LINER', 'Liner'), ('INSULATION', 'Insulation')], max_length=20)),
                ('supplier', models.CharField(blank=True, help_text='Empty: any supplier.', max_length=60)),
                ('post_kind', models.CharField(blank=True, choices=[('SOLID', 'Solid'), ('LAMINATED', 'Laminated')], help_text='For posts; empty: any.', max_length=9)),
                ('over_span_ft', models.FloatField(help_text='For buildings wider than this; 0 for all.', validators=[django.core.validators.MinValueValidator(0)], verbose_name='over span (ft)')),
                ('to_span_ft', models.FloatField(blank=True, help_text='And up to this width; empty: no end.', null=True, verbose_name='to span (ft)')),
                ('days', models.PositiveSmallIntegerField(help_text='Calendar days from order to site.', validators=[django.core.validators.MaxValueValidator(365)])),
                ('source', models.CharField(help_text='Who says so.', max_length=120)),
                ('checked_on', models.DateField(blank=True, null=True)),
            ],
        ),
        migrations.AddField(
            model_name='delivery',
            name='confirmed_on',
            field=models.DateField(blank=True, help_text='When the supplier last stood by the promise.', null=True),
        ),
        migrations.AddField(
            model_name='delivery',
            name='quantity',
            field=models.CharField(blank=True, help_text='As on the order, like 11 trusses.', max_length=60),
        ),
        migrations.AddField(
            model_name='delivery',
            name='shortage',
            field=models.CharField(blank=True, help_text='What is missing or broken of what arrived; the phase goes on waiting for it.', max_length=200, verbose_name='short or damaged'),
        ),
        migrations.AlterField(
            model_name='delivery',
            name='promised_on',
            field=models.DateField(blank=True, help_text='By the supplier; after a short delivery, for what is missing.', null=True, validators=[django.core.validators.MaxValueValidator(crews.models.farthest_day, '%(show_value)s is more than five years ahead. Enter the year again.')]),
        ),
        migrations.AddField(
            model_name='deliveryreport',
            name='job',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='delivery_reports', to='jobs.job'),
        ),
        migrations.AddConstraint(
            model_name='delivery',
            constraint=models.CheckConstraint(condition=models.Q(('shortage', ''), ('arrived_on__isnull', False), _connector='OR'), name='delivery_short_has_arrived', violation_error_message='Only what has arrived can be short or damaged. Enter the day it arrived.'),
        ),
        migrations.AddConstraint(
            model_name='leadtime',
            constraint=models.UniqueConstraint(fields=('item', 'supplier', 'post_kind', 'over_span_ft'), name='lead_time_once', violation_error_message='This lead time is there already. Change that one.'),
        ),
        migrations.AddConstraint(
            model_name='leadtime',
            constraint=models.CheckConstraint(condition=models.Q(('to_span_ft__isnull', True), ('to_span_ft__gt', models.F('over_span_ft')), _connector='OR'), name='lead_time_span_runs_forward', violation_error_message='The span ends above where it begins.'),
        ),
        migrations.AddConstraint(
            model_name='deliveryreport',
            constraint=models.UniqueConstraint(fields=('job', 'item', 'told_at'), name='delivery_report_once_at_a_time'),
        ),
        migrations.AddConstraint(
            model_name='deliveryreport',
            constraint=models.CheckConstraint(condition=models.Q(('undone_at__isnull', True), ('undone_at__gte', models.F('told_at')), _connector='OR'), name='delivery_report_undone_after_told', violation_error_message='It was undone before it was told.'),
        ),
        migrations.RunPython(write_starter_lead_times, migrations.RunPython.noop),
    ]
