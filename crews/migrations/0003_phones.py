from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("crews", "0002_firm_weather_and_costs")]

    operations = []
