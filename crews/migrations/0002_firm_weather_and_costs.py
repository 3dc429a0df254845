import datetime
import django.core.validators
from decimal import Decimal
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('crews', '0001_initial'),
    ]

    operations = [
        migrations.AddField(
            model_name='firm',
            name='crew_day_cost_usd',
            field=models.DecimalField(decimal_places=2, default=Decimal('1600'), help_text='What a day costs on which a crew cannot work. A starter value: enter your own.', max_digits=8, validators=[django.core.validators.MinValueValidator(0)], verbose_name="cost of a crew's day (USD)"),
        ),
        migrations.AddField(
            model_name='firm',
            name='site_most_fall_in',
            field=models.FloatField(default=12, help_text='Across one building. More is a hold until the site is graded.', validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(240)], verbose_name='most fall of a site (in)'),
        ),
        migrations.AddField(
            model_name='firm',
            name='notice_hour',
            field=models.TimeField(default=datetime.time(16, 0), help_text='Each person gets one message a day, at this hour, with all that is new.', verbose_name='messages go out at'),
        ),
        migrations.AddField(
            model_name='firm',
            name='quiet_from',
            field=models.TimeField(default=datetime.time(19, 0), help_text='No message is sent in the quiet hours.', verbose_name='quiet from'),
        ),
        migrations.AddField(
            model_name='firm',
            name='quiet_until',
            field=models.TimeField(default=datetime.time(6, 0), help_text='The morning sheet goes out now, and what came up in the night.', verbose_name='quiet until'),
        ),
        migrations.AddField(
            model_name='firm',
            name='slip_threshold_days',
            field=models.FloatField(default=0.5, help_text='By how much later than published a finish is a slip.', validators=[django.core.validators.MinValueValidator(0.05), django.core.validators.MaxValueValidator(20)], verbose_name='a slip from (working days)'),
        ),
    ]
