"""The building's specification as columns, for the job row to carry."""

from django.core.validators import MinValueValidator
from django.db import models


class Specification(models.Model):
    """
    What was sold, as the take-off reads it: sizes in ft, pitch in rise per 12.

    The rules between these fields (bay within the length, liner gauge for the truss spacing …)
    live in `contractor.trade.building`; only what a column can say alone is said here.
    """

    class Use(models.TextChoices):
        HAY_BARN = "HAY_BARN", "Hay barn"
        SHOP = "SHOP", "Shop"
        GARAGE = "GARAGE", "Garage"
        RIDING_ARENA = "RIDING_ARENA", "Riding arena"
        HOUSE_SHELL = "HOUSE_SHELL", "House shell"
        STORAGE = "STORAGE", "Storage"

    class Foundation(models.TextChoices):
        POURED_PIER = "POURED_PIER", "Poured piers"
        PRECAST_PIER = "PRECAST_PIER", "Precast piers"
        SLAB_BRACKET = "SLAB_BRACKET", "Slab with brackets"

    class PostKind(models.TextChoices):
        AUTO = "AUTO", "By length"
        SOLID = "SOLID", "Solid timber"
        LAMINATED = "LAMINATED", "Laminated"

    class Insulation(models.TextChoices):
        NONE = "NONE", "None"
        CONDENSATION_BLANKET = "CONDENSATION_BLANKET", "Condensation blanket under the roof"
        BATTS = "BATTS", "Batts in the walls"
        BLOWN_AND_BATTS = "BLOWN_AND_BATTS", "Blown over the ceiling, batts in the walls"

    class Lining(models.TextChoices):
        NONE = "NONE", "None"
        STEEL = "STEEL", "Steel liner"
        DRYWALL_READY = "DRYWALL_READY", "Ready for drywall"

    class Soil(models.TextChoices):
        GOOD = "GOOD", "Good digging"
        HARD = "HARD", "Hard clay or roots"
        ROCK = "ROCK", "Rock"

    class Gauge(models.IntegerChoices):
        G24 = 24, "24 gauge"
        G26 = 26, "26 gauge"
        G28 = 28, "28 gauge"
        G29 = 29, "29 gauge"

    use = models.CharField(max_length=12, choices=Use, default=Use.SHOP)
    width_ft = models.FloatField(
        "width (ft)", help_text="Along the gables: the span of the trusses."
    )
    length_ft = models.FloatField("length (ft)")
    eave_ft = models.FloatField("eave height (ft)")
    pitch_in_12 = models.FloatField(
        "pitch (in 12)", default=4, help_text="4 is usual, 3 the low end."
    )
    bay_ft = models.FloatField(
        "bay (ft)", default=8, help_text="Post spacing along the sides, at most."
    )
    truss_spacing_ft = models.FloatField(
        "truss spacing (ft)", default=8, help_text="8 is standard, 4 on request, 2 under drywall."
    )
    end_spacing_ft = models.FloatField("endwall post spacing (ft)", default=10)
    overhang_ft = models.FloatField("eave overhang (ft)", default=1)
    gable_overhang_ft = models.FloatField("gable overhang (ft)", default=1)
    foundation = models.CharField(
        max_length=12, choices=Foundation, default=Foundation.PRECAST_PIER
    )
    pier_diameter_in = models.FloatField("hole diameter (in)", default=18)
    hole_depth_in = models.FloatField(
        "hole depth (in)",
        default=48,
        help_text="Frost depth or the engineer's depth, whichever is deeper. "
        "Call for the buried-line locate before any digging.",
    )
    collar_in = models.FloatField("concrete collar (in)", default=18)
    pad_in = models.FloatField("footing pad (in)", default=6)
    slab_in = models.FloatField("slab (in)", default=0, help_text="0 when we pour no slab.")
    post_kind = models.CharField(max_length=10, choices=PostKind, default=PostKind.AUTO)
    roof_gauge = models.PositiveSmallIntegerField(choices=Gauge, default=Gauge.G29)
    wall_gauge = models.PositiveSmallIntegerField(choices=Gauge, default=Gauge.G29)
    wainscot_ft = models.FloatField("wainscot (ft)", default=0, validators=[MinValueValidator(0)])
    insulation = models.CharField(max_length=20, choices=Insulation, default=Insulation.NONE)
    wall_lining = models.CharField(max_length=14, choices=Lining, default=Lining.NONE)
    ceiling_lining = models.CharField(max_length=14, choices=Lining, default=Lining.NONE)
    liner_gauge = models.PositiveSmallIntegerField(choices=Gauge, default=Gauge.G29)
    extends_existing = models.BooleanField(
        "addition that carries on an old roof line", default=False
    )
    soil = models.CharField(max_length=4, choices=Soil, default=Soil.GOOD)

    class Meta:
        abstract = True
