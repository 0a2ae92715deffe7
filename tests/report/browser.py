"""The browser that tests and pictures of the page look with: Debian's chromium, without a network."""

from __future__ import annotations

import shutil

from playwright.sync_api import Browser, Playwright

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
)


def chromium() -> str | None:
    """Where it is, if it is."""
    return shutil.which("chromium")


def launch(made: Playwright) -> Browser:
    """Start it, headless."""
    return made.chromium.launch(executable_path=chromium(), args=FLAGS)
