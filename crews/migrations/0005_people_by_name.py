from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("crews", "0004_feeds")]

    operations = [
        migrations.AddField(
            model_name="crew",
            name="people_by_name",
            field=models.CharField(
                blank=True,
                help_text="Who they are, like Dell, Ina, Corbin; shown to the crew alone.",
                max_length=300,
            ),
        ),
    ]
