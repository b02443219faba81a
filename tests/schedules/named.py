"""Jobs for schedules, plain and hostile."""

from __future__ import annotations

from datetime import time
from pathlib import Path
from typing import Final

from hypothesis import strategies as st

from verifier.classes import Phase
from verifier.job.job import Job, JobSide, Notifying, Occasion, Scanning, Window
from verifier.schedules.starts import Starts

AT: Final = time(2, 30)
HOSTILE: Final = (
    "two words",
    "a%b",
    "%",
    "100%% \\%d \\\\% \\",
    "it's",
    'the "new" one',
    "$HOME `id` $(id) ${x}",
    "a;b & c | d > e",
    "#x",
    "-rf",
    "<&amp;>",
    "K\u00e4fer \U0001f33f",
    "trailing\\",
    " ",
    "''\"\"",
    "{a,b}*?[!x]~",
    "C:\\old\\",
)
"""Names that a shell, cron, systemd, XML or Windows would take for something else."""


def names() -> st.SearchStrategy[str]:
    """Draw a name that a scheduler's file can hold: no control characters, no line breaks, no lone surrogates."""
    usual = st.characters(exclude_characters="/\ufffe\uffff", exclude_categories=["Cc", "Cs", "Zl", "Zp"])
    telling = st.sampled_from("%\\'\"$ `&<>;!:-@+")
    return st.one_of(st.sampled_from(HOSTILE), st.text(st.one_of(telling, usual), min_size=1, max_size=8)).filter(
        lambda name: name not in (".", "..")
    )


def job(
    name: str = "herbarium",
    below: str = "garden",
    *,
    urls_env: str = "",
    urls_file: Path | None = None,
    window: Window | None = None,
    scan: Scanning | None = None,
) -> Job:
    """Return a job of which all paths lie in a folder of the given name."""
    base = Path("/srv", below)
    told = frozenset({Occasion.WORSE}) if urls_env or urls_file else frozenset[Occasion]()
    return Job(
        base / "migration.toml",
        name,
        Phase.COPYING,
        JobSide((base / "old",)),
        JobSide((base / "new", base / "more")),
        base / "proofs",
        window=window or Window(),
        scan=scan or Scanning(),
        notify=Notifying(told, urls_env, urls_file),
    )


def starts(of: Job, program: tuple[str, ...] = ("/usr/bin/python3", "-P", "-m", "verifier"), value: str = "") -> Starts:
    """Return what is started for a job, with a variable X in its environment."""
    return Starts(of, AT, program, {"X": value})
