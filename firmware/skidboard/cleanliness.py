"""ISO 4406:2021 scale numbers by the standard's table, in integers.

The limits are those of ISO 4406:2021, table 1, "more than / up to and
including", particles per millilitre (check values in tests/references).
"""

# Upper limits in hundredths of a particle per mL, scale number 0 first, up to 28.
UPPER_CENTI_PER_ML = (
    1, 2, 4, 8, 16, 32, 64, 130, 250, 500, 1000, 2000, 4000, 8000, 16000, 32000, 64000, 130000, 250000,
    500000, 1000000, 2000000, 4000000, 8000000, 16000000, 32000000, 64000000, 130000000, 250000000,
)  # fmt: skip
ABOVE_TABLE = 29
NOT_COUNTED = 0xFF
FEW_PARTICLES = 20


def scale_number(count, volume_ul):
    """Scale number of `count` particles in `volume_ul` microlitres: 0 to 28, or 29 above the table.

    Raises ValueError when the volume is not positive.
    """
    if volume_ul <= 0:
        raise ValueError("volume_ul must be above 0")
    # count / (volume_ul / 1000) * 100 > limit, without dividing
    scaled = count * 100000
    for number, upper in enumerate(UPPER_CENTI_PER_ML):
        if scaled <= upper * volume_ul:
            return number
    return ABOVE_TABLE
