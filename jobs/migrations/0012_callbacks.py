from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("jobs", "0011_board")]

    operations = []
