from django.db import migrations


class Migration(migrations.Migration):

    dependencies = [
        ("inspections", "0004_locate"),
    ]

    operations = []
