"""Job files for tests: the smallest that loads, and one with every key set."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest

from verifier.errors import JobFileError
from verifier.job.load import load_job

if TYPE_CHECKING:
    from pathlib import Path

    from verifier.job.job import Job

SMALLEST: Final = """\
name = "herbarium"
phase = "copying"
[old]
root = "/mnt/old"
[new]
roots = ["/mnt/new"]
[evidence]
folder = "/var/lib/verifier/herbarium"
"""
WHOLE: Final = """\
name = "herbarium"
phase = "frozen"
[old]
root = "/mnt/old"
label = "old server"
[new]
roots = ["/mnt/new", "sheets"]
label = "new server"
[[map]]
old = "scans"
new = "archive/scans"
[[map]]
old = "notes/"
new = "."
[rules]
files = ["garden.toml", "/etc/verifier/site.toml"]
compare = ["directory-mtime"]
ignore = ["owner", "group"]
[gates]
frozen_at = 2026-11-21T22:00:00+01:00
live_since = "2026-11-23T06:00:00Z"
[scan]
algorithm = "sha256"
readers = 4
limit_rate = "150MB/s"
idle = false
cold = true
cross_mounts = true
stall_after = "5min"
reread = "never"
[window]
until = "06:00"
at_most = "5h"
[evidence]
folder = "proofs"
accepted = "../signed"
[keep]
every = "7d"
weekly = "4w"
monthly = "2y"
[notify]
on = ["worse", "failure", "weekly"]
urls_file = "herbarium.urls"
"""


def load(folder: Path, text: str | bytes) -> Job:
    """Load a job file with a content, called ``migration.toml``."""
    path = folder / "migration.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return load_job(path)


def refusal(folder: Path, text: str | bytes) -> str:
    """Return the one line with which a job file is refused, after the file's name."""
    with pytest.raises(JobFileError) as caught:
        load(folder, text)
    line = str(caught.value)
    assert line.isprintable()
    assert caught.value.exit_code == 2
    name = f"{folder / 'migration.toml'}"
    assert name in line
    return line.removeprefix(f"{name}: ")
