"""The share of the time to boil for which a pump may run closed-in is the owner's: half till now."""

from django.db import migrations, models

SHARE = models.FloatField(
    default=0.5,
    help_text="Without bypass flow the pump is stopped after this share of the time in which the "
    "water in it would boil, 0.5 is half.",
)


class Migration(migrations.Migration):
    dependencies = [("valvecare", "0003_one_open_test_run_per_revision")]

    operations = [
        migrations.AddField(model, "closed_in_share", SHARE, preserve_default=False)
        for model in ("historicaltestpolicy", "testpolicy")
    ] + [
        migrations.RemoveConstraint("testpolicy", "test_policy_bands_are_shares"),
        migrations.AddConstraint(
            "testpolicy",
            models.CheckConstraint(
                condition=models.Q(
                    ("switching_band_share__gt", 0),
                    ("switching_band_share__lt", 1),
                    ("head_band_share__gt", 0),
                    ("head_band_share__lte", 0.5),
                    ("leak_limit_share__gt", 0),
                    ("leak_limit_share__lt", 1),
                    ("closed_in_share__gt", 0),
                    ("closed_in_share__lt", 1),
                ),
                name="test_policy_bands_are_shares",
                violation_error_message="A band is a share above 0 and below 1.",
            ),
        ),
    ]
