"""Generated examples are the same everywhere, and a busy machine is no reason to fail."""

from hypothesis import HealthCheck, settings

settings.register_profile(
    "dewpond", derandomize=True, deadline=None, database=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("dewpond")
