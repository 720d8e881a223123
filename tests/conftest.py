"""What several test modules share: a seeded generator, made-up batches, and a real browser."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
BROWSER_FLAGS = [
    "--no-sandbox",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20240501)


@pytest.fixture(scope="session")
def captures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Shots of three made-up handhelds, a file that is no photo, and manifests."""
    from batch_makers import make_captures

    return make_captures(tmp_path_factory.mktemp("captures"))


@pytest.fixture(scope="session")
def done(captures: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The results of an undisturbed batch of them."""
    from batch_makers import make_done

    return make_done(captures, tmp_path_factory.mktemp("batch") / "out")


@pytest.fixture
def copy(done: Path, tmp_path: Path) -> Path:
    """A copy of those results."""
    return Path(shutil.copytree(done, tmp_path / "out"))


@pytest.fixture(scope="session")
def launch_browser() -> Iterator[Callable[..., object]]:
    """A function that starts headless Chromium with further flags.

    Where the environment says CI, a missing browser is a failure and not a skip.
    """
    found = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if found is None:
        advice = "'apt-get install -y --no-install-recommends chromium'"
        if os.environ.get("CI"):
            pytest.fail(f"Chromium is missing: {advice}")
        pytest.skip(f"no Chromium on this machine: {advice}")
    from playwright.sync_api import sync_playwright

    running = []
    with sync_playwright() as driver:

        def launch(*flags: str) -> object:
            running.append(driver.chromium.launch(executable_path=found, args=[*BROWSER_FLAGS, *flags]))
            return running[-1]

        yield launch
        for browser in running:
            browser.close()


@pytest.fixture(scope="session")
def browser(launch_browser: Callable[..., object]) -> object:
    """Headless Chromium, one for all tests."""
    return launch_browser()


@pytest.fixture
def put(tmp_path):
    """Write bytes to a file and return its path."""

    def write(data: bytes, name: str = "photo.bin"):
        path = tmp_path / name
        path.write_bytes(data)
        return path

    return write
