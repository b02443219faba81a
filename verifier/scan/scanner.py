"""Scanning one tree, or several at once, into manifests.

Two stages: the tree is listed into the manifest, small files being read on the way while the listing is young; then
every file that is left is read. Progress leaves as events; nothing here prints. A scan that is stopped, in whatever
way, leaves a manifest that says it is incomplete, and goes on from it when it is begun again.
"""

from __future__ import annotations

import socket
import threading
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from typing import TYPE_CHECKING, Final

from verifier.errors import ManifestDamaged, UsageProblem
from verifier.manifest.database import named
from verifier.manifest.store import Manifest
from verifier.scan.budget import budgets
from verifier.scan.guard import look_at
from verifier.scan.meeting import Meeting
from verifier.scan.progress import Progress
from verifier.scan.request import ScanOptions, ScanOutcome, ScanRequest
from verifier.scan.resume import check_reuse, resume
from verifier.scan.side import Company, SideScan

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from verifier.tree.share import Share

__all__ = ["Progress", "ScanOptions", "ScanOutcome", "ScanRequest", "check_request", "scan", "scan_all"]

WAIT_S: Final = 0.2
"""So often the calling thread looks for Ctrl-C."""


def check_request(request: ScanRequest, options: ScanOptions) -> Share:
    """Look whether a scan could begin, and return its share.

    Raises:
        RootUnavailable: If the root is not there or may not be listed, or is empty where it was not.
        UsageProblem: If the manifest would lie inside the tree, or nothing can be carried over from the given one.
    """
    share = look_at(request.root, options.stall_after_s)
    if share.contains(request.manifest):
        raise UsageProblem(
            f"{named(request.manifest)} lies inside {share.named}, and nothing is ever written into a tree",
            "put it somewhere else",
        )
    if request.reuse is not None:
        check_reuse(request.reuse, share, options.algorithm, socket.gethostname())
    return share


def scan(
    request: ScanRequest,
    options: ScanOptions,
    on_progress: Callable[[Progress], None] = lambda _: None,
    stop: threading.Event | None = None,
) -> ScanOutcome:
    """Scan one tree into a manifest, or go on with one that a scan of the same tree left unfinished.

    Args:
        request: What to scan, and where the manifest goes.
        options: How.
        on_progress: Called from this thread a few times a second.
        stop: Set by another thread to end the scan; the manifest then says that it is incomplete.

    Raises:
        RootUnavailable: If the root is not there, or may not be listed.
        UsageProblem: If a complete manifest is there already, it lies inside the tree, or one that is unfinished was
            begun otherwise.
        EvidenceUnwritable: If the manifest cannot be written.
    """
    share = check_request(request, options)
    ((budget, number),) = budgets([share], options.readers)
    return _scan(request, options, share, Company(budget, number, Meeting(1)), on_progress, stop or threading.Event())


def scan_all(
    requests: Sequence[ScanRequest],
    options: ScanOptions,
    on_progress: Callable[[Progress], None] = lambda _: None,
    on_listed: Callable[[], None] | None = None,
) -> list[ScanOutcome]:
    """Scan several trees at once and return their outcomes in order.

    Ctrl-C (KeyboardInterrupt) in the calling thread ends every scan in good order. A side whose share went away ends
    early on its own; the others go on. `on_progress` is called from several threads.

    Args:
        requests: The sides.
        options: How they are scanned.
        on_progress: Told how far each is.
        on_listed: Called once when all sides are listed, while their manifests can be read.

    Raises:
        VerifierError: As `scan`; the other sides are stopped first.
    """
    shares = [check_request(request, options) for request in requests]
    stop = threading.Event()
    meeting = Meeting(len(requests), on_listed)
    companies = [Company(budget, side, meeting) for budget, side in budgets(shares, options.readers)]
    with ThreadPoolExecutor(len(requests), thread_name_prefix="scan") as sides:
        futures = [
            sides.submit(_scan, request, options, share, company, on_progress, stop)
            for request, share, company in zip(requests, shares, companies, strict=True)
        ]
        stopped = False
        try:
            stopped = _wait_for(futures, stop)
        except BaseException:
            # Whatever came, and wherever it came between two waits: no side may go on unseen.
            stop.set()
            raise
    outcomes = [future.result() for future in futures]
    if stopped and not any(outcome.interrupted for outcome in outcomes):
        raise KeyboardInterrupt  # it came when there was nothing left to stop here, and is still to be obeyed
    return outcomes


def _wait_for(futures: Sequence[Future[ScanOutcome]], stop: threading.Event) -> bool:
    """Wait for all, and return whether somebody asked to stop."""
    stopped = False
    waiting = set(futures)
    while waiting:
        try:
            done, waiting = wait(waiting, timeout=WAIT_S, return_when=FIRST_COMPLETED)
        except KeyboardInterrupt:
            stopped = True
            stop.set()
            continue
        if any(future.exception() for future in done):
            stop.set()
    return stopped


def _scan(  # noqa: PLR0913, PLR0917  what one side is told, what it shares, and whom it tells
    request: ScanRequest,
    options: ScanOptions,
    share: Share,
    company: Company,
    on_progress: Callable[[Progress], None],
    stop: threading.Event,
) -> ScanOutcome:
    side: SideScan | None = None
    try:
        before = resume(request.manifest, share, options.algorithm, finished_too=request.finished_too)
        with Manifest.create(request.manifest) as manifest:
            side = SideScan(request, options, share, company, manifest, on_progress, stop, before)
            outcome = side.run()
    except ManifestDamaged:
        if request.reuse is not None:
            # What was carried over may be wrong; nobody may go on from it.
            request.manifest.unlink(missing_ok=True)
        raise
    finally:
        company.budget.leave(company.side)
        company.meeting.leave(listed=side is not None and side.listed)
    return outcome
