"""Progress on standard error: bars on a terminal, a line every half minute otherwise, nothing when asked for quiet."""

from __future__ import annotations

import sys
import threading
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final, Never, Protocol

from verifier.report.context import size_text
from verifier.verdict import count_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tqdm import tqdm

    from verifier.scan.scanner import Progress

LINE_EVERY_S: Final = 30.0


class Display(Protocol):
    """Shows how far a run is. `show` is called from several threads."""

    def show(self, progress: Progress) -> None:
        """Show how far one side is."""

    def stage(self, name: str) -> None:
        """Show what happens after the scans."""


@contextmanager
def display(*, quiet: bool) -> Iterator[Display]:
    """Choose how progress is shown, and clear it away at the end."""
    if quiet:
        yield Silence()
    elif sys.stderr.isatty():
        bars = Bars()
        try:
            yield bars
        finally:
            bars.close()
    else:
        yield Lines()


class Silence:
    """Shows nothing."""

    def show(self, progress: Progress) -> None:
        """Show nothing."""

    def stage(self, name: str) -> None:
        """Show nothing."""


class Lines:
    """A plain line for each side now and then, for logs."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._told: dict[str, tuple[str, float]] = {}

    def show(self, progress: Progress) -> None:
        """Print a line when a side enters another stage, and every `LINE_EVERY_S` in between."""
        now = time.monotonic()
        with self._lock:
            stage, told_at = self._told.get(progress.label, ("", now - LINE_EVERY_S))
            if stage == progress.stage and now - told_at < LINE_EVERY_S:
                return
            self._told[progress.label] = (progress.stage, now)
            print(f"{progress.label}: {line(progress)}", file=sys.stderr, flush=True)

    def stage(self, name: str) -> None:
        """Print what happens now."""
        print(name, file=sys.stderr, flush=True)


def line(p: Progress) -> str:
    """Say how far one side is, in one line."""
    errors = f", {count_of(p.problems, 'problem', 'problems')}" if p.problems else ""
    match p.stage:
        case "listing":
            return f"listing, {p.entries:,} entries{errors}"
        case "reading":
            done = f"{p.files_done:,} of {p.files:,} files, {size_text(p.bytes_done)} of {size_text(p.size_bytes)}"
            return f"reading, {done}{errors}"
        case "done":
            return f"done, {p.entries:,} entries, {size_text(p.bytes_done)} read{errors}"
        case _:
            return f"{p.stage}{errors}"


_BAR: Final = "{desc} {percentage:3.0f}%|{bar}| {n_fmt}/{total_fmt} [{elapsed}<{remaining}, {rate_fmt}]"
_NO_BAR: Final = "{desc} [{elapsed}]"


class Bars:
    """One tqdm bar for each side; the listing, whose end is not known, is a line that counts."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._bars: dict[str, tqdm[Never]] = {}

    def show(self, progress: Progress) -> None:
        """Move a side's bar."""
        from tqdm import tqdm

        with self._lock:
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
            reading = progress.stage == "reading"
            if reading and bar.bar_format == _NO_BAR:
                bar.bar_format = _BAR
                bar.reset(total=progress.size_bytes)
            if not reading:
                bar.bar_format = _NO_BAR
            files = f"{progress.files_done:,} of {progress.files:,} files"
            bar.set_description_str(
                f"{progress.label}: {f'reading, {files}' if reading else line(progress)}", refresh=False
            )
            bar.n = progress.bytes_done
            bar.refresh()

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
