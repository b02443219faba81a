"""What several tests of the page in a browser share."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.report.browser import running
from tests.report.evidence import page

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from playwright.sync_api import Browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Return a browser for the tests of one file; each page in it begins with an empty profile."""
    with running() as started:
        yield started


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Return what writes a page, once for each name, and says where it lies; arguments as for `evidence.written`."""
    base = tmp_path_factory.mktemp("pages")

    def write(name: str, **given: Any) -> Path:
        place = base / f"{name}.html"
        if not place.exists():
            place.write_text(page(base / name, **given), "utf-8", newline="")
        return place

    return write
