from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("crews", "0003_phones")]

    operations = []
