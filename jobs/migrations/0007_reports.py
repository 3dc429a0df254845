from django.db import migrations


class Migration(migrations.Migration):

    dependencies = [
        ("jobs", "0006_rework_phases"),
    ]

    operations = []
