"""One hypothesis profile for every machine: the same examples each time, and no deadline on a busy one."""

from hypothesis import HealthCheck, settings

settings.register_profile(
    "steady",
    derandomize=True,
    deadline=None,
    database=None,
    max_examples=20,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
settings.load_profile("steady")
