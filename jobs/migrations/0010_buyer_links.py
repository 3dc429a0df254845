from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("jobs", "0009_forecasts")]

    operations = []
