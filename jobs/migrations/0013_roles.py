from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("jobs", "0012_callbacks")]

    operations = []
