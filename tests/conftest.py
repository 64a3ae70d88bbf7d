"""One hypothesis profile for every machine: the same examples each time, and no deadline on a busy one."""

import contextlib
import ctypes
import gc
import multiprocessing
import os
import sys
from pathlib import Path

# Where nothing compiled is to lie beside sources it lies here: tests start many processes, and half of what each would
# do is to compile all modules anew.
if sys.dont_write_bytecode:
    sys.dont_write_bytecode = False
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    sys.pycache_prefix = str(Path(__file__).parents[1] / ".pytest_cache" / "compiled")
    os.environ["PYTHONPYCACHEPREFIX"] = sys.pycache_prefix
# Tests run side by side, one process a core: threads of linear algebra would only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
# Nor does a test start processes of its own, but where it asks for them.
os.environ.setdefault("LOKY_MAX_CPU_COUNT", "1")

# Memory that is let go stays with the process for what asks next (names and numbers of glibc's malloc.h): pages that go
# back to the system and come anew, filled with zeros, took a twentieth of the time.
if sys.platform == "linux":
    with contextlib.suppress(AttributeError):  # another C library
        for parameter, size in ((-1, 512 << 20), (-2, 64 << 20), (-3, 32 << 20)):  # trim threshold, top pad, mmap
            ctypes.CDLL(None).mallopt(parameter, size)

import pytest
from hypothesis import HealthCheck, settings

import solved

# Files that take longest, the longest first.
LONG = (
    "test_lessons.py",
    "test_random_advice.py",
    "test_stitched.py",
    "test_examples.py",
    "test_contacts.py",
    "test_files.py",
    "test_simplified.py",
    "test_links.py",
    "test_pictures.py",
    "test_broadband_values.py",
    "test_moves.py",
    "test_planes_shown.py",
    "test_supplies.py",
    "test_layers_frequency.py",
    "test_decision.py",
    "test_live_solve.py",
    "test_thinning.py",
    "test_together.py",
    "test_jobs.py",
    "test_conduction.py",
    "test_bars.py",
    "test_wide_routes.py",
    "test_planes.py",
    "test_beside_the_signal.py",
    "test_live_page.py",
    "test_close_levels.py",
    "test_processes.py",
    "test_casefile.py",
    "test_random_boards.py",
    "test_live_frequency.py",
    "test_check_values.py",
    "test_broadband_laws.py",
    "test_frequency.py",
    "test_idle_copper.py",
    "test_check_values_probes.py",
    "test_broadband.py",
    "test_review.py",
    "test_over_frequency.py",
    "test_comparisons.py",
    "test_decision_study.py",
    "test_layers_induction.py",
    "test_many_vias.py",
    "test_squares.py",
    "test_around.py",
    "test_page.py",
    "test_picking.py",
    "test_study_frequencies.py",
    "test_proofs.py",
    "test_cli.py",
    "test_served.py",
)

settings.register_profile(
    "steady",
    derandomize=True,
    deadline=None,
    database=None,
    max_examples=20,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
settings.load_profile("steady")

# Side by side with others: each process has one core, and threads for two only get in each other's way.
BESIDE_OTHERS = "PYTEST_XDIST_WORKER" in os.environ


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items):
    """What takes longest comes first, so that no process is left alone with it at the end."""
    place = {name: n for n, name in enumerate(LONG)}
    items.sort(key=lambda item: place.get(item.path.name, len(place)))


def pytest_collection_finish():
    """Modules and thousands of tests stay to the end: to look at them again at every collection is time for nothing."""
    gc.collect()
    gc.freeze()


@pytest.fixture(autouse=True, scope="session")
def solved_once(tmp_path_factory):
    """Processes of one session share what they solve."""
    mine = tmp_path_factory.getbasetemp()
    solved.keep_in(mine.parent if BESIDE_OTHERS else mine)


@pytest.fixture(autouse=True, scope="module")
def a_core_each(request):
    """No threads beside the other processes, but in modules with `ALL_CORES`, where threads themselves are tested."""
    with pytest.MonkeyPatch.context() as patch:
        if BESIDE_OTHERS and not getattr(request.module, "ALL_CORES", False):
            patch.setattr(multiprocessing, "parent_process", lambda: "one that started others")
        yield


@pytest.fixture(autouse=True, scope="module")
def let_go(request):
    """Solved boards that a module has cached are let go with it: together they would fill gigabytes."""
    yield
    for thing in list(vars(request.module).values()):
        if getattr(thing, "__module__", None) == request.module.__name__ and hasattr(thing, "cache_clear"):
            thing.cache_clear()
    gc.collect()
