"""What readers share: their counts, the request to stop, and the limit of their rate together."""

from __future__ import annotations

import multiprocessing
import threading
import time
from array import array
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import TYPE_CHECKING, Final

import pytest

from verifier.scan.pace import BURST_S, SLICE_S, Counts, Meter, RateLimit, cells_for
from verifier.tree.content import Stopped

if TYPE_CHECKING:
    from collections.abc import Callable

READERS: Final = 3


@pytest.fixture
def cells() -> memoryview:
    """Return memory for three readers."""
    return memoryview(array("Q", [0] * cells_for(READERS)))


def test_every_reader_counts_for_itself_and_all_add_up(cells: memoryview) -> None:
    """Bytes and names of all readers are summed, each kind by itself; the request to stop is not among them."""
    meters = [Meter(cells, slot) for slot in range(READERS)]
    meters[0].add(5)
    meters[1].add(7)
    meters[1].add(11)
    meters[2].entries(13)
    counts = Counts(cells)
    counts.request_stop()
    assert (counts.bytes(), counts.entries()) == (23, 13)


def test_a_beat_moves_with_everything_that_a_reader_does(cells: memoryview) -> None:
    """Whoever reads, lists or waits for the rate is alive; who does nothing is not."""
    counts = Counts(cells)
    before = counts.beats(0, READERS)
    one, two, _ = (Meter(cells, slot) for slot in range(READERS))
    one.add(1)
    two.entries(1)
    after = counts.beats(0, READERS)
    assert [now > was for was, now in zip(before, after, strict=True)] == [True, True, False]
    one.beat()
    assert counts.beats(0, 1) > after[:1]
    assert counts.beats(1, 2) == after[1:]


def test_a_request_to_stop_reaches_every_call(cells: memoryview) -> None:
    """After it no block is counted, no name, no beat: each raises."""
    meter, counts = Meter(cells, 1), Counts(cells)
    before = counts.stop_requested
    counts.request_stop()
    assert (before, counts.stop_requested) == (False, True)
    calls: list[Callable[[], None]] = [partial(meter.add, 1), meter.beat, partial(meter.entries, 1)]
    for call in calls:
        with pytest.raises(Stopped):
            call()
    assert (counts.bytes(), counts.entries()) == (0, 0)


@pytest.mark.parametrize("threads", [1, 4])
def test_all_readers_together_keep_the_rate(threads: int) -> None:
    """However many take from it, what goes through is the rate that was asked for, within a tenth."""
    rate, block, blocks = 50_000_000, 500_000, 150
    limit = RateLimit(rate, multiprocessing.get_context("spawn").Value("d", 0.0))
    began = time.monotonic()
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(lambda _: limit.take(block, lambda: None), range(blocks)))
    reached = block * blocks / (time.monotonic() - began)
    assert rate * 0.9 < reached < rate * 1.1


def test_a_pause_saves_nothing_up() -> None:
    """After a pause, as a long listing is one, no more than a moment's worth goes through at once."""
    rate = 10_000_000
    limit = RateLimit(rate, multiprocessing.get_context("spawn").Value("d", 0.0))
    limit.take(1, lambda: None)
    time.sleep(0.5)
    began = time.monotonic()
    limit.take(int(rate * (BURST_S + 0.2)), lambda: None)
    assert time.monotonic() - began >= 0.19


def test_a_request_to_stop_ends_a_wait_at_once(cells: memoryview) -> None:
    """Who waits for the rate, for minutes perhaps, hears a request to stop within a moment."""
    meter = Meter(cells, 0, RateLimit(1, multiprocessing.get_context("spawn").Value("d", 0.0)))
    threading.Timer(0.1, Counts(cells).request_stop).start()
    began = time.monotonic()
    with pytest.raises(Stopped):
        meter.add(600)
    assert time.monotonic() - began < 0.1 + 5 * SLICE_S
