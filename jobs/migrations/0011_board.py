from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("jobs", "0010_buyer_links")]

    operations = []
