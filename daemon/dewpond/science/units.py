"""Conversion factors of the units that published tables use, exact by definition."""

MM_PER_INCH = 25.4
CM2_PER_IN2 = 6.4516
