from django.db import migrations


class Migration(migrations.Migration):

    dependencies = [
        ("jobs", "0004_what_stands_behind_a_start"),
    ]

    operations = []
