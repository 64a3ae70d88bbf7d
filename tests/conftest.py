"""One hypothesis profile for every machine: the same examples each time, and no deadline on a busy one."""

import gc
import os

# Tests run side by side, one process a core: threads of linear algebra would only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
# Nor does a test start processes of its own, but where it asks for them.
os.environ.setdefault("LOKY_MAX_CPU_COUNT", "1")

import pytest
from hypothesis import HealthCheck, settings

import solved

settings.register_profile(
    "steady",
    derandomize=True,
    deadline=None,
    database=None,
    max_examples=20,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
settings.load_profile("steady")


@pytest.fixture(autouse=True, scope="session")
def solved_once(tmp_path_factory):
    """Processes of one session share what they solve."""
    mine = tmp_path_factory.getbasetemp()
    solved.keep_in(mine.parent if "PYTEST_XDIST_WORKER" in os.environ else mine)


@pytest.fixture(autouse=True, scope="module")
def let_go(request):
    """Solved boards that a module has cached are let go with it: together they would fill gigabytes."""
    yield
    for thing in list(vars(request.module).values()):
        if getattr(thing, "__module__", None) == request.module.__name__ and hasattr(thing, "cache_clear"):
            thing.cache_clear()
    gc.collect()
