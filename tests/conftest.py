"""Fixtures that several test files share: lakes on disk, and advice with few draws.

Functions and data that they share stand in tests/support/.
"""

import gc
import os
import shutil
from contextlib import ExitStack
from pathlib import Path

# Before numpy: tests run in parallel processes, and threads inside them only wait for each other.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
# Tests read English, whatever the machine speaks, and sentences that no line's end cuts.
os.environ.pop("LANGUAGE", None)
os.environ.update(LC_ALL="C.UTF-8", COLUMNS="1000")

import hypothesis  # noqa: E402
import pytest  # noqa: E402
import shared_work  # noqa: E402
from object_store import bucket  # noqa: E402, F401 - a fixture for all

# No test is timed: on a machine that is busy with something else an example takes seconds.
hypothesis.settings.register_profile("untimed", deadline=None)
hypothesis.settings.load_profile("untimed")


def pytest_configure(config):
    """The process that starts the workers has the folder of what they share."""
    stack = config.stash[_OPEN] = ExitStack()
    if not hasattr(config, "workerinput"):
        stack.enter_context(shared_work.folder_of_the_run())


def pytest_unconfigure(config):
    config.stash[_OPEN].close()


def pytest_collection_finish():
    """Modules and tests stay to the end: the collector need not look at them again and again."""
    gc.collect()
    gc.freeze()


_OPEN = pytest.StashKey[ExitStack]()


@pytest.fixture(scope="session")
def playwright():
    """What drives the browsers; a process can hold one."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as found:
        yield found


@pytest.fixture(scope="session")
def browser(playwright):
    import browser as browsers

    with browsers.launched(playwright) as found:
        yield found


@pytest.fixture(scope="session", params=("chromium", "firefox", "webkit"))
def window(request, playwright):
    """A window in each engine, one after the other, for what must hold in all of them."""
    import engines

    with engines.opened_window(request.param, playwright) as found:
        yield found


# --- lakes on disk; lakes.py is imported where one is asked for: the wheel's tests have none ------


@pytest.fixture(scope="module")
def light():
    """Advice with few draws and no search, for a module's tests."""
    from lakes import lighten

    with pytest.MonkeyPatch.context() as patch:
        lighten(patch)
        yield


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """Ten takeovers of the 4x100 on two evenings; do not write here."""
    from lakes import store_lake

    out = tmp_path_factory.mktemp("season") / "out"
    store_lake(out)
    return out


@pytest.fixture(scope="module")
def two_events(tmp_path_factory):
    """Do not write here."""
    from lakes import store_two_events

    return store_two_events(tmp_path_factory.mktemp("two") / "out")


@pytest.fixture
def out(season, tmp_path):
    return Path(shutil.copytree(season, tmp_path / "out"))
