"""Progress on standard error: bars on a terminal, a line every half minute otherwise, nothing when asked for quiet.

Besides, for other programs, a JSON object a second in a file.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from contextlib import contextmanager
from dataclasses import asdict
from typing import IO, TYPE_CHECKING, Final, Never, Protocol

from verifier.errors import EvidenceUnwritable
from verifier.report.amounts import duration_text, size_text
from verifier.tree.names import shown
from verifier.verdict import count_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tqdm import tqdm

    from verifier.reconcile.findings import Tally
    from verifier.reconcile.preliminary import Preliminary
    from verifier.scan.progress import Progress

LINE_EVERY_S: Final = 30.0
JSON_EVERY_S: Final = 1.0
MEASURED_S: Final = 60.0
"""After so long of reading its time is estimated in a line of its own."""
LONG_READ_S: Final = 10.0
"""A read that has not moved for so long is named."""


class Display(Protocol):
    """Shows how far a run is. `show` and `preliminary` are called from several threads."""

    def show(self, progress: Progress) -> None:
        """Show how far one side is."""

    def preliminary(self, account: Preliminary) -> None:
        """Show what names and sizes say."""

    def stage(self, name: str) -> None:
        """Show what happens after the scans."""


@contextmanager
def display(*, quiet: bool, progress_json: Path | None = None) -> Iterator[Display]:
    """Choose how progress is shown, and clear it away at the end.

    Args:
        quiet: Show nothing.
        progress_json: Where JSON objects go besides.

    Raises:
        EvidenceUnwritable: If that file cannot be written.
    """
    shown_to_people = Silence() if quiet else Bars() if sys.stderr.isatty() else Lines()
    try:
        if progress_json is None:
            yield shown_to_people
            return
        try:
            file = progress_json.open("a", encoding="utf-8")
        except OSError as error:
            raise EvidenceUnwritable(
                f"--progress-json {shown(str(progress_json))} cannot be written ({error.strerror})", "name another file"
            ) from error
        with file:
            objects = Objects(file, shown_to_people)
            try:
                yield objects
            finally:
                objects.write(always=True)
    finally:
        shown_to_people.close()


class Silence:
    """Shows nothing."""

    def show(self, progress: Progress) -> None:
        """Show nothing."""

    def preliminary(self, account: Preliminary) -> None:
        """Show nothing."""

    def stage(self, name: str) -> None:
        """Show nothing."""

    def close(self) -> None:
        """Do nothing."""


class Lines:
    """A plain line for each side now and then, for logs."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._told: dict[str, tuple[str, float]] = {}
        self._estimated: set[str] = set()

    def show(self, progress: Progress) -> None:
        """Print a line when a side enters another stage, and every `LINE_EVERY_S` in between."""
        now = time.monotonic()
        with self._lock:
            if (estimate := estimated(progress, self._estimated)) is not None:
                self._print(estimate)
            stage, told_at = self._told.get(progress.label, ("", now - LINE_EVERY_S))
            if stage == progress.stage and now - told_at < LINE_EVERY_S:
                return
            self._told[progress.label] = (progress.stage, now)
            self._print(f"{shown(progress.label)}: {line(progress)}")

    def preliminary(self, account: Preliminary) -> None:
        """Print what names and sizes say."""
        with self._lock:
            self._print("\n".join(preliminary_lines(account)))

    def stage(self, name: str) -> None:
        """Print what happens now."""
        with self._lock:
            self._print(name)

    def close(self) -> None:
        """Do nothing."""

    @staticmethod
    def _print(text: str) -> None:
        print(text, file=sys.stderr, flush=True)


def line(p: Progress) -> str:
    """Say how far one side is, in one line."""
    parts: list[str] = []
    match p.stage:
        case "listing":
            parts.append(f"listing, {p.entries:,} entries")
            if p.files_done:
                parts.append(f"{p.files_done:,} small files read on the way")
        case "waiting":
            parts.append(f"listed, {p.entries:,} entries, waiting for the other side")
        case "reading" | "reading again":
            parts.append(f"{p.stage}, {p.files_done:,} of {p.files:,} files")
            parts.append(f"{size_text(p.bytes_done)} of {size_text(p.size_bytes)}")
            parts.append(f"{size_text(round(p.rate))}/s")
            if p.seconds_left is not None:
                parts.append(f"about {duration_text(p.seconds_left)} left")
        case "done":
            by = f" by {count_of(p.readers, 'reader', 'readers')}" if p.bytes_done else ""
            parts.append(f"done, {p.entries:,} entries, {size_text(p.bytes_done)} read{by}")
        case _:
            parts.append(p.stage)
    if p.carried_files:
        parts.append(f"{p.carried_files:,} files known from before")
    if p.problems:
        parts.append(count_of(p.problems, "problem", "problems"))
    if p.longest and p.longest_s >= LONG_READ_S:
        parts.append(f"{round(p.longest_s)} s without a byte of {shown(p.longest)}")
    return ", ".join(parts)


def estimated(p: Progress, told: set[str]) -> str | None:
    """Say once for each side how long its reading will take, after the first measured minute."""
    if p.stage != "reading" or p.label in told or p.measured_s < MEASURED_S or p.seconds_left is None:
        return None
    told.add(p.label)
    left = size_text(max(0, p.size_bytes - p.bytes_done))
    rate = size_text(round(p.bytes_done / p.measured_s))
    left_s = duration_text(p.seconds_left)
    return f"{shown(p.label)}: at the rate of the first minute, {rate}/s, the {left} left take {left_s}"


def preliminary_lines(account: Preliminary) -> list[str]:
    """Say what names and sizes say."""

    def said(tally: Tally) -> str:
        entries = count_of(tally.entries, "entry", "entries")
        return (
            f"{entries} ({count_of(tally.files, 'file', 'files')}, {size_text(tally.bytes)})"
            if tally.entries
            else "nothing"
        )

    other = account.other_size.entries
    lines = [
        "preliminary account, from names and sizes alone; moves, altered names and rules come later",
        f"  not at their place on the new side: {said(account.not_at_their_place)}",
        f"  on the new side only:               {said(account.new_only)}",
        f"  of another size:                    {count_of(other, 'file', 'files') if other else 'nothing'}",
    ]
    if account.other_kind.entries:
        lines.append(f"  of another kind:                    {said(account.other_kind)}")
    for side, tally in account.to_read.items():
        listed = account.listed[side]
        lines.append(
            f"  {side}: {listed.files:,} files, {size_text(listed.bytes)}; still to read: "
            f"{count_of(tally.files, 'file', 'files')}, {size_text(tally.bytes)}"
        )
    return lines


_BAR: Final = "{desc}{percentage:3.0f}%|{bar:10}| {elapsed}{postfix}"
_NO_BAR: Final = "{desc} [{elapsed}]"
NAME_WIDTH: Final = 24
"""Columns that the name of a side may take before a bar."""


def short_name(label: str) -> str:
    """Return a side's name in at most `NAME_WIDTH` characters, without its middle if need be."""
    name = shown(label)
    if len(name) <= NAME_WIDTH:
        return name
    half = (NAME_WIDTH - 3) // 2
    return f"{name[: NAME_WIDTH - 3 - half]}...{name[-half:]}"


def measured(p: Progress) -> str:
    """Say how reading goes, the most needed first: what a narrow terminal lacks room for is cut off at the end."""
    parts = [f"{size_text(round(p.rate))}/s"]
    if p.seconds_left is not None:
        parts.append(f"{duration_text(p.seconds_left)} left")
    if p.problems:
        parts.append(count_of(p.problems, "problem", "problems"))
    if p.longest and p.longest_s >= LONG_READ_S:
        parts.append(f"{round(p.longest_s)} s at {shown(p.longest)[-40:]}")
    parts.append(f"{size_text(p.bytes_done)} of {size_text(p.size_bytes)}")
    parts.append(f"{p.files_done:,} of {p.files:,} files")
    return ", ".join(parts)


class Bars:
    """One tqdm bar for each side, one below the other; the listing, whose end is not known, is a line that counts."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._bars: dict[str, tqdm[Never]] = {}
        self._estimated: set[str] = set()
        self._width = 0
        """Columns that the longest name takes."""

    def show(self, progress: Progress) -> None:
        """Move a side's bar."""
        from tqdm import tqdm

        with self._lock:
            if (estimate := estimated(progress, self._estimated)) is not None:
                tqdm.write(estimate, file=sys.stderr)
            bar = self._bars.get(progress.label)
            if bar is None:
                bar = tqdm(
                    position=len(self._bars),
                    unit="B",
                    unit_scale=True,
                    dynamic_ncols=True,
                    leave=False,
                    file=sys.stderr,
                    bar_format=_NO_BAR,
                )
                self._bars[progress.label] = bar
                self._width = max(self._width, len(short_name(progress.label)))
            self._draw(bar, progress)

    def _draw(self, bar: tqdm[Never], progress: Progress) -> None:
        reading = progress.stage in ("reading", "reading again")
        bar.bar_format = _BAR if reading else _NO_BAR
        bar.total = max(1, progress.size_bytes) if reading else None
        bar.n = min(progress.bytes_done, progress.size_bytes) if reading else progress.bytes_done
        bar.set_postfix_str(measured(progress) if reading else "", refresh=False)
        text = progress.stage if reading else line(progress)
        bar.set_description_str(f"{short_name(progress.label):{self._width}}  {text}", refresh=False)
        bar.refresh()

    def preliminary(self, account: Preliminary) -> None:
        """Print what names and sizes say, above the bars."""
        from tqdm import tqdm

        with self._lock:
            tqdm.write("\n".join(preliminary_lines(account)), file=sys.stderr)

    def stage(self, name: str) -> None:
        """Replace the bars by what happens now."""
        self.close()
        print(f"{name} ...", file=sys.stderr, flush=True)

    def close(self) -> None:
        """Clear the bars away, with whatever the terminal echoed between them."""
        with self._lock:
            if not self._bars:
                return
            for bar in reversed(self._bars.values()):
                bar.close()
            self._bars.clear()
            sys.stderr.write("\r\x1b[J")
            sys.stderr.flush()


class Objects:
    """A JSON object a second, a line each, besides another display.

    Each has the time, the run's stage after the scans (empty while they go on) and for each side the fields of
    `verifier.scan.progress.Progress`, in its units: bytes, bytes a second, seconds.
    """

    def __init__(self, file: IO[str], beside: Display) -> None:
        self._file = file
        self._beside = beside
        self._lock = threading.Lock()
        self._sides: dict[str, Progress] = {}
        self._stage = ""
        self._written_at = 0.0

    def show(self, progress: Progress) -> None:
        """Take note of how far a side is."""
        self._sides[progress.label] = progress
        self.write()
        self._beside.show(progress)

    def preliminary(self, account: Preliminary) -> None:
        """Show it beside."""
        self._beside.preliminary(account)

    def stage(self, name: str) -> None:
        """Take note of what happens now."""
        self._stage = name
        self.write(always=True)
        self._beside.stage(name)

    def write(self, *, always: bool = False) -> None:
        """Append an object if it is time to."""
        with self._lock:
            now = time.monotonic()
            if not always and now - self._written_at < JSON_EVERY_S:
                return
            self._written_at = now
            sides = {label: asdict(progress) for label, progress in self._sides.items()}
            told = {
                "time": time.strftime("%Y-%m-%dT%H:%M:%S+00:00", time.gmtime()),
                "stage": self._stage,
                "sides": sides,
            }
            self._file.write(json.dumps(told) + "\n")
            self._file.flush()
