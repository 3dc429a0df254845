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
    ]
