from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ("jobs", "0005_deliveries"),
    ]

    operations = [
        migrations.AddField(
            model_name='phase',
            name='partly_passed',
            field=models.BooleanField(default=False, editable=False, help_text='An inspection that has released a part of what it holds.'),
        ),
        migrations.AlterField(
            model_name='phase',
            name='code',
            field=models.CharField(choices=[('LAYOUT', 'Layout'), ('DIG', 'Dig holes'), ('HOLE_INSPECTION', 'Hole inspection'), ('HOLE_REWORK', 'Rework of holes'), ('POUR', 'Pour pads'), ('SLAB_INSPECTION', 'Slab inspection'), ('SLAB_REWORK', 'Rework of slab forms'), ('SLAB', 'Slab'), ('POSTS', 'Set posts'), ('FRAME', 'Frame walls'), ('TRUSSES', 'Set trusses and purlins'), ('FRAME_INSPECTION', 'Frame inspection'), ('FRAME_REWORK', 'Rework of the frame'), ('ROOF', 'Roof steel'), ('WALLS', 'Wall steel'), ('TRIM', 'Trim and corners'), ('OVERHEAD_DOORS', 'Overhead doors'), ('DOORS', 'Walk doors, windows, sliding doors'), ('ROUGH_TRADES', 'Rough wiring and plumbing'), ('INSULATION', 'Insulation'), ('LINER', 'Steel liner'), ('FINAL_INSPECTION', 'Final inspection'), ('FINAL_REWORK', 'Rework after the final inspection'), ('PUNCH', 'Clean up and punch list')], max_length=20),
        ),
        migrations.AlterField(
            model_name='plannedwait',
            name='after_code',
            field=models.CharField(blank=True, choices=[('LAYOUT', 'Layout'), ('DIG', 'Dig holes'), ('HOLE_INSPECTION', 'Hole inspection'), ('HOLE_REWORK', 'Rework of holes'), ('POUR', 'Pour pads'), ('SLAB_INSPECTION', 'Slab inspection'), ('SLAB_REWORK', 'Rework of slab forms'), ('SLAB', 'Slab'), ('POSTS', 'Set posts'), ('FRAME', 'Frame walls'), ('TRUSSES', 'Set trusses and purlins'), ('FRAME_INSPECTION', 'Frame inspection'), ('FRAME_REWORK', 'Rework of the frame'), ('ROOF', 'Roof steel'), ('WALLS', 'Wall steel'), ('TRIM', 'Trim and corners'), ('OVERHEAD_DOORS', 'Overhead doors'), ('DOORS', 'Walk doors, windows, sliding doors'), ('ROUGH_TRADES', 'Rough wiring and plumbing'), ('INSULATION', 'Insulation'), ('LINER', 'Steel liner'), ('FINAL_INSPECTION', 'Final inspection'), ('FINAL_REWORK', 'Rework after the final inspection'), ('PUNCH', 'Clean up and punch list')], max_length=20),
        ),
        migrations.AlterField(
            model_name='plannedwait',
            name='before_code',
            field=models.CharField(choices=[('LAYOUT', 'Layout'), ('DIG', 'Dig holes'), ('HOLE_INSPECTION', 'Hole inspection'), ('HOLE_REWORK', 'Rework of holes'), ('POUR', 'Pour pads'), ('SLAB_INSPECTION', 'Slab inspection'), ('SLAB_REWORK', 'Rework of slab forms'), ('SLAB', 'Slab'), ('POSTS', 'Set posts'), ('FRAME', 'Frame walls'), ('TRUSSES', 'Set trusses and purlins'), ('FRAME_INSPECTION', 'Frame inspection'), ('FRAME_REWORK', 'Rework of the frame'), ('ROOF', 'Roof steel'), ('WALLS', 'Wall steel'), ('TRIM', 'Trim and corners'), ('OVERHEAD_DOORS', 'Overhead doors'), ('DOORS', 'Walk doors, windows, sliding doors'), ('ROUGH_TRADES', 'Rough wiring and plumbing'), ('INSULATION', 'Insulation'), ('LINER', 'Steel liner'), ('FINAL_INSPECTION', 'Final inspection'), ('FINAL_REWORK', 'Rework after the final inspection'), ('PUNCH', 'Clean up and punch list')], max_length=20),
        ),
    ]
