"""What several test modules share: a seeded generator and a real browser."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator

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
def browser() -> Iterator[object]:
    """Headless Chromium. Where the environment says CI, a missing one is a failure and not a skip."""
    found = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if found is None:
        if os.environ.get("CI"):
            pytest.fail("Chromium is missing: 'apt-get install -y --no-install-recommends chromium'")
        pytest.skip("no Chromium on this machine: 'apt-get install -y --no-install-recommends chromium'")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        running = driver.chromium.launch(executable_path=found, args=BROWSER_FLAGS)
        yield running
        running.close()
