"""The page cache: what a scan read is not left there, what was there stays, and cold is cold."""

from __future__ import annotations

import ctypes
import errno
import mmap
import os
import random
import subprocess
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

import pytest
from blake3 import blake3

from tests.conftest import NOBODY
from verifier.tree import cache
from verifier.tree.cache import (
    ASK_BYTES,
    SMALL_BYTES,
    WINDOW_BYTES,
    ColdCount,
    PageCache,
    absent_ranges,
    aligned_room,
    drop,
    resident,
)
from verifier.tree.content import SPLIT_BYTES, Expected, Manner, Reading, Stopped, Where, read_file
from verifier.tree.digests import Algorithm
from verifier.tree.entry import State
from verifier.tree.handle import DescriptorHandle

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

# The system takes pages of its own accord, now and then (measured: of 600 files of 24 MiB that were just read it had
# taken a few pages of four, of three of them before they were read again). It does not do so four times in a row.
pytestmark = pytest.mark.flaky(reruns=3, only_rerun=["AssertionError"])

PAGE: Final = mmap.PAGESIZE
SMALL: Final = (1, PAGE - 1, PAGE, PAGE + 1, 10 * PAGE + 5, SMALL_BYTES - 1, SMALL_BYTES)
LARGE: Final = (SMALL_BYTES + 1, 3 * SMALL_BYTES + 7, 24 * SMALL_BYTES)
REFUSALS: Final = ("EOPNOTSUPP", "ENOSYS", "EINVAL")
"""What a file system or a kernel says that cannot read without waiting (preadv2(2), RWF_NOWAIT)."""


def in_memory(file: Path) -> int:
    """Return how many bytes of a file are in memory, in whole pages, as fincore(1) says."""
    asked: list[str | Path] = ["fincore", "--bytes", "--noheadings", "--output", "RES", file]
    return int(subprocess.run(asked, check=True, capture_output=True, text=True).stdout)


def pages_of(size: int) -> int:
    """Return the bytes of the pages that a file of this size takes."""
    return -(-size // PAGE) * PAGE


@contextmanager
def opened(file: Path) -> Iterator[int]:
    """Open a file for reading, for a while."""
    descriptor = os.open(file, os.O_RDONLY)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def make(place: Path, size: int) -> Path:
    """Make a file whose pages can be dropped: they are written to the disk, and not in memory any more."""
    place.write_bytes(random.Random(size).randbytes(size))
    with opened(place) as descriptor:
        os.fsync(descriptor)
        drop(descriptor, 0, 0)
    return place


def bring(file: Path, *ranges: tuple[int, int]) -> None:
    """Bring ranges of a file, offset and length, into memory and nothing besides (posix_fadvise(2), RANDOM)."""
    with opened(file) as descriptor:
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_RANDOM)
        for offset, length in ranges:
            os.pread(descriptor, length, offset)


def read(file: Path, pages: PageCache, threads: int = 1, on_bytes: Callable[[int], None] = lambda _: None) -> Reading:
    """Read a file as a scan does."""
    facts = file.lstat()
    expected = Expected(facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns)
    with DescriptorHandle(file.parent) as held:
        return read_file(Where(held, (), file.name), expected, Manner(Algorithm.BLAKE3, pages, on_bytes, threads))


@pytest.fixture
def ground(tmp_path: Path) -> Path:
    """Return a folder on a file system that lets go of pages when it is asked to, as one in memory does not."""
    probe = make(tmp_path / "probe", 5 * PAGE)
    with opened(probe) as descriptor:
        gone = not any(resident(descriptor, 5 * PAGE))
        os.pread(descriptor, 1, 0)
        if not gone or not any(resident(descriptor, 5 * PAGE)):
            pytest.skip("this file system keeps its pages, or does not tell of them")
    return tmp_path


fincore = pytest.mark.real(programs=("fincore",))


@pytest.fixture(params=["counted", "page by page"])
def looking(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Look as systems since Linux 6.5 can, and as older ones have to."""
    if request.param == "page by page":
        monkeypatch.setattr(cache, "_counts", lambda: False)


# ---- Looking


@fincore
@pytest.mark.usefixtures("looking")
@pytest.mark.parametrize("size", [*SMALL, *LARGE])
def test_what_is_absent_is_what_another_program_does_not_see(ground: Path, size: int) -> None:
    """Pages that are said to be absent and pages that fincore(1) finds make up the file, in any pattern."""
    file = make(ground / "file", size)
    chance = random.Random(size)
    for ranges in ([], [(0, 1)], [(size - 1, 1)], [(chance.randrange(size), 3 * PAGE) for _ in range(5)], [(0, size)]):
        with opened(file) as descriptor:
            drop(descriptor, 0, 0)
            bring(file, *ranges)
            absent = [piece for window in absent_ranges(descriptor, size) for piece in window]
            there = any(resident(descriptor, size))
        seen = in_memory(file)
        assert sum(pages_of(length) for _, length in absent) == pages_of(size) - seen
        assert there is (seen > 0)
        for offset, length in absent:
            assert offset % PAGE == 0
            for begin, brought in ranges:
                assert min(begin + brought, size) <= offset or begin >= offset + length


@pytest.mark.usefixtures("looking")
def test_looking_brings_nothing_in(ground: Path) -> None:
    """Asking what is in memory reads nothing: otherwise the question would be its own answer."""
    size = 2 * SMALL_BYTES
    file = make(ground / "file", size)
    with opened(file) as descriptor:
        for _ in range(3):
            assert list(absent_ranges(descriptor, size)) == [((0, size),)]
            assert list(resident(descriptor, size)) == [False]


@pytest.mark.usefixtures("looking")
def test_windows_follow_each_other(tmp_path: Path) -> None:
    """A file of several windows is told of window by window, in order, to its last byte."""
    file = tmp_path / "file"
    size = 2 * WINDOW_BYTES + 3 * PAGE + 1
    with file.open("wb") as made:
        made.truncate(size)  # a hole: no page of it is in memory, and it takes no room
    bring(file, (WINDOW_BYTES, PAGE))
    with opened(file) as descriptor:
        assert list(resident(descriptor, size)) == [False, True, False]
        assert list(absent_ranges(descriptor, size)) == [
            ((0, WINDOW_BYTES),),
            ((WINDOW_BYTES + PAGE, WINDOW_BYTES - PAGE),),
            ((2 * WINDOW_BYTES, 3 * PAGE + 1),),
        ]
        assert not list(absent_ranges(descriptor, 0))
        assert not list(resident(descriptor, 0))


@pytest.mark.parametrize("lack", ["no library", "no mapping", "no answer"])
def test_where_the_system_does_not_say_nothing_counts_as_absent(
    ground: Path, monkeypatch: pytest.MonkeyPatch, lack: str
) -> None:
    """What is not known to be absent is not dropped: it may be somebody's working set. And it is not cold."""
    file = make(ground / "file", 3 * SMALL_BYTES)
    library = cache._library()
    if lack == "no library":
        monkeypatch.setattr(cache, "_library", lambda: None)
    else:
        monkeypatch.setattr(cache, "_counts", lambda: False)
        name, answer = ("mmap", cache._MAP_FAILED) if lack == "no mapping" else ("mincore", -1)
        monkeypatch.setattr(library, name, lambda *_: answer)
    with opened(file) as descriptor:
        assert list(absent_ranges(descriptor, 3 * SMALL_BYTES)) == [()]
        assert list(resident(descriptor, 3 * SMALL_BYTES)) == [True]
    pages = PageCache(cold=True)
    assert read(file, pages).state == State.PROVED
    assert pages.take_count() == ColdCount(warm_files=1, warm_bytes=3 * SMALL_BYTES)


def test_advice_never_fails(tmp_path: Path) -> None:
    """A pipe has no pages to drop, and a closed descriptor none either (posix_fadvise(2), ESPIPE, EBADF)."""
    reading, writing = os.pipe()
    drop(reading, 0, 0)
    os.close(reading)
    os.close(writing)
    drop(reading, 0, 0)


def test_room_begins_at_a_page() -> None:
    """A block that begins at a page is copied to twice as fast on some machines; it has just the size asked for."""
    for size in (1, PAGE, SMALL_BYTES + 1):
        room = aligned_room(size)
        assert len(room) == size
        assert not room.readonly
        assert ctypes.addressof(ctypes.c_char.from_buffer(room)) % PAGE == 0


# ---- Reading small files


@pytest.mark.parametrize("cold", [False, True], ids=["as it is", "cold"])
@pytest.mark.parametrize("size", [0, *SMALL])
def test_a_small_file_is_read_to_its_end(ground: Path, size: int, cold: bool) -> None:
    """Whether its pages were there, partly there or not, all bytes come, and none that is not the file's."""
    file = make(ground / "file", size)
    data = random.Random(size).randbytes(size)
    pages = PageCache(cold=cold)
    for ranges in ([], [(0, 1)], [(size // 2, 1)], [(0, size)]):
        with opened(file) as descriptor:
            drop(descriptor, 0, 0)
            bring(file, *ranges)
            assert bytes(pages.read_small(descriptor, size)) == data


@pytest.mark.parametrize("size", [0, 1, PAGE, SMALL_BYTES])
def test_a_file_that_grew_shows_itself(ground: Path, size: int) -> None:
    """More comes than its facts promise, whether it was in memory or not."""
    file = make(ground / "file", size + 3 * PAGE)
    for there in (False, True):
        with opened(file) as descriptor:
            drop(descriptor, 0, 0)
            if there:
                bring(file, (0, size + PAGE))
            assert len(PageCache().read_small(descriptor, size)) > size


@pytest.mark.parametrize("size", [1, PAGE, SMALL_BYTES])
def test_a_file_that_shrank_gives_what_it_has(ground: Path, size: int) -> None:
    """Fewer bytes than promised are all that there is: no error, no waiting, no stale bytes from the last file."""
    pages = PageCache()
    with opened(make(ground / "before", size)) as descriptor:
        pages.read_small(descriptor, size)
    with opened(make(ground / "file", size // 2)) as descriptor:
        assert bytes(pages.read_small(descriptor, size)) == (ground / "file").read_bytes()


@fincore
@pytest.mark.parametrize("size", [*SMALL, *LARGE])
def test_what_was_not_in_memory_is_dropped_after_reading(ground: Path, size: int) -> None:
    """A scan does not fill the memory with what nobody but the scan has read; a few small files may stay."""
    number = 20 if size <= SMALL_BYTES else 1
    left = 0
    for n in range(number):
        file = make(ground / f"file {n}", size)
        assert in_memory(file) == 0
        found = read(file, PageCache())
        assert (found.state, found.digest) == (State.PROVED, blake3(random.Random(size).randbytes(size)).digest())
        left += in_memory(file) > 0
    assert left <= number // 4


@fincore
@pytest.mark.parametrize("size", [*SMALL, *LARGE])
def test_what_was_in_memory_stays_there(ground: Path, size: int) -> None:
    """What people work with is not pushed out by being verified."""
    file = make(ground / "file", size)
    bring(file, (0, size))
    assert in_memory(file) == pages_of(size)
    assert read(file, PageCache()).state == State.PROVED
    assert in_memory(file) == pages_of(size)


@fincore
@pytest.mark.parametrize("size", [40 * PAGE, SMALL_BYTES])
def test_the_beginning_of_a_small_file_stays_if_it_was_there(ground: Path, size: int) -> None:
    """Of a file of which only the beginning was in memory just that is left there."""
    file = make(ground / "file", size)
    bring(file, (0, PAGE))
    assert read(file, PageCache()).state == State.PROVED
    assert in_memory(file) == PAGE


@fincore
@pytest.mark.parametrize("at", [0, 1, 3, 30])
def test_a_page_in_the_middle_of_a_small_file_stays_if_it_was_there(ground: Path, at: int) -> None:
    """A page that somebody uses stays, wherever in a small file it is."""
    file = make(ground / "file", 40 * PAGE)
    bring(file, (at * PAGE, PAGE))
    assert in_memory(file) == PAGE
    assert read(file, PageCache()).state == State.PROVED
    with opened(file) as descriptor:
        assert in_memory(file) == PAGE
        assert list(absent_ranges(descriptor, 40 * PAGE)) == [
            tuple(piece for piece in ((0, at * PAGE), ((at + 1) * PAGE, (39 - at) * PAGE)) if piece[1])
        ]


# ---- Reading larger files


def _length(ranges: Sequence[tuple[int, int]]) -> int:
    return sum(length for _, length in ranges)


@fincore
@pytest.mark.parametrize("threads", [1, 2])
@pytest.mark.parametrize("there", ["nothing", "the first window", "the last window", "pieces of each", "all"])
def test_of_a_large_file_each_page_is_left_as_it_was(ground: Path, there: str, threads: int) -> None:
    """Over several windows, with however many threads: what was in memory stays, what was not is gone, page by page."""
    window, size = WINDOW_BYTES, 2 * WINDOW_BYTES + 5 * SMALL_BYTES + 9
    assert size > SPLIT_BYTES
    file = ground / "file"
    with file.open("wb") as made:
        made.truncate(size)  # a hole: it costs no room on the disk, and its pages are pages like any other
    pieces = [(start * window + offset, 7 * PAGE) for start in (0, 1) for offset in (0, 9 * PAGE, window - 7 * PAGE)]
    ranges = {
        "nothing": [],
        "the first window": [(0, window)],
        "the last window": [(2 * window, size - 2 * window)],
        "pieces of each": [*pieces, (size - PAGE, PAGE)],
        "all": [(0, size)],
    }[there]
    bring(file, *ranges)
    with opened(file) as descriptor:
        before = list(absent_ranges(descriptor, size))
    seen = in_memory(file)
    assert (seen == 0) is (there == "nothing")
    most = 0

    def watch(_: int) -> None:
        nonlocal most
        most = max(most, in_memory(file))

    every_16 = iter(range(10**6))
    found = read(file, PageCache(), threads, lambda size_bytes: None if next(every_16) % 16 else watch(size_bytes))
    assert found.state == State.PROVED
    # The system may reclaim a page in the meantime, or one that is just coming cannot be dropped: a few of 33,000.
    with opened(file) as descriptor:
        after = list(absent_ranges(descriptor, size))
    assert all(abs(_length(x) - _length(y)) <= 16 * PAGE for x, y in zip(before, after, strict=True))
    assert abs(in_memory(file) - seen) <= 16 * PAGE
    # One window under way, and what the system reads ahead of it.
    assert most <= seen + 2 * window


@fincore
@pytest.mark.parametrize("end", ["a request to stop", "an error", "a cut"])
def test_a_large_file_that_is_not_read_to_its_end_leaves_no_pages(
    ground: Path, monkeypatch: pytest.MonkeyPatch, end: str
) -> None:
    """However a reading ends, what it had brought in by then is dropped."""
    size = 20 * SMALL_BYTES
    file = make(ground / "file", size)
    blocks: list[int] = []
    real_readv = os.readv

    def on_bytes(size_bytes: int) -> None:
        blocks.append(size_bytes)
        if len(blocks) == 10 and end == "a request to stop":
            raise Stopped
        if len(blocks) == 10 and end == "a cut":
            os.truncate(file, 12 * SMALL_BYTES)

    def readv(descriptor: int, buffers: tuple[memoryview]) -> int:
        if len(blocks) >= 10 and end == "an error":
            raise OSError(errno.EACCES, "gone bad")
        return real_readv(descriptor, buffers)

    monkeypatch.setattr(os, "readv", readv)
    if end == "a request to stop":
        with pytest.raises(Stopped):
            read(file, PageCache(), on_bytes=on_bytes)
    else:
        assert read(file, PageCache(), on_bytes=on_bytes).digest is None or end == "a cut"
    # A page that is just coming cannot be dropped.
    assert in_memory(file) <= SMALL_BYTES


# ---- Cold


@pytest.mark.parametrize("size", [*SMALL, *LARGE])
def test_a_file_whose_pages_are_gone_is_read_cold(ground: Path, size: int) -> None:
    """Its pages were there, were dropped, and were looked for: then it counts as read from the medium."""
    file = make(ground / "file", size)
    bring(file, (0, size))
    pages = PageCache(cold=True)
    assert read(file, pages).digest == blake3(file.read_bytes()).digest()
    assert pages.take_count() == ColdCount(cold_files=1, cold_bytes=size)
    assert pages.take_count() == ColdCount()


@pytest.mark.parametrize("size", [1, PAGE + 1, SMALL_BYTES, SMALL_BYTES + 1, 3 * SMALL_BYTES])
def test_a_file_whose_pages_stay_is_read_warm(ground: Path, size: int) -> None:
    """A page that another program has mapped cannot be dropped (posix_fadvise(2)): the file is not said to be cold."""
    file = make(ground / "file", size)
    pages = PageCache(cold=True)
    with opened(file) as descriptor, mmap.mmap(descriptor, size, prot=mmap.PROT_READ) as mapped:
        assert mapped[size - 1] is not None
        assert read(file, pages).state == State.PROVED
    assert pages.take_count() == ColdCount(warm_files=1, warm_bytes=size)


def test_files_are_counted_apart(ground: Path) -> None:
    """Each file is one, with its bytes, cold or warm; an empty one has no pages and is neither."""
    pages = PageCache(cold=True)
    sizes = [0, PAGE, 3 * PAGE, 2 * SMALL_BYTES]
    for size in sizes:
        read(make(ground / "file", size), pages)
    assert pages.take_count() == ColdCount(cold_files=3, cold_bytes=sum(sizes))


def test_a_file_that_is_read_again_is_one_file(ground: Path) -> None:
    """A second attempt is no second file: the report says how many files were read cold, not how many readings."""
    file = make(ground / "file", PAGE)
    pages = PageCache(cold=True)
    times = iter((1, 2))

    def touch_once(_: int) -> None:
        if (time := next(times, None)) == 1:
            os.utime(file, ns=(time, time))

    assert read(file, pages, on_bytes=touch_once).attempts == 2
    assert pages.take_count() == ColdCount(cold_files=1, cold_bytes=PAGE)


def test_nothing_is_counted_unless_cold_was_asked_for(ground: Path) -> None:
    """A usual scan makes no claim about where its bytes came from."""
    pages = PageCache()
    for size in (PAGE, 2 * SMALL_BYTES):
        read(make(ground / "file", size), pages)
    assert pages.take_count() == ColdCount()


def test_cold_reading_asks_for_nothing_that_is_there(ground: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What must come from the medium must not be looked for in memory first."""
    system = Refusal(monkeypatch, "EOPNOTSUPP")
    read(make(ground / "file", PAGE), PageCache(cold=True))
    assert system.refused == 0


# ---- Where reading without waiting is not known


class Refusal:
    """A system that refuses to read without waiting."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
        self.refused = 0
        real_preadv = os.preadv

        def preadv(descriptor: int, buffers: tuple[memoryview], offset: int, flags: int = 0) -> int:
            if flags:
                self.refused += 1
                raise OSError(getattr(errno, name), os.strerror(getattr(errno, name)))
            return real_preadv(descriptor, buffers, offset)

        monkeypatch.setattr(os, "preadv", preadv)


@pytest.mark.parametrize("name", REFUSALS)
@pytest.mark.parametrize("size", [size for size in (0, *SMALL) if size <= ASK_BYTES])
def test_a_refusal_costs_one_call(ground: Path, monkeypatch: pytest.MonkeyPatch, name: str, size: int) -> None:
    """FUSE, NFS and old kernels refuse (preadv2(2)): the file is read the plain way, and nobody asks again."""
    file = make(ground / "file", size)
    system, pages = Refusal(monkeypatch, name), PageCache()
    assert pages._nowait
    for _ in range(3):
        assert read(file, pages).digest == blake3(random.Random(size).randbytes(size)).digest()
    assert system.refused == 1
    assert not pages._nowait


@fincore
@pytest.mark.parametrize("there", [False, True], ids=["was not there", "was there"])
@pytest.mark.parametrize("size", SMALL)
def test_after_a_refusal_pages_are_left_as_they_were(
    ground: Path, monkeypatch: pytest.MonkeyPatch, size: int, there: bool
) -> None:
    """Without that call the system is asked (mincore(2)): the first file after the refusal, and all that follow."""
    Refusal(monkeypatch, "EOPNOTSUPP")
    pages = PageCache()
    for n in range(2):
        file = make(ground / f"file {n}", size)
        if there:
            bring(file, (0, size))
        read(file, pages)
        assert in_memory(file) == (pages_of(size) if there else 0)


@pytest.mark.parametrize("name", ["EIO", "ESTALE", "ETIMEDOUT"])
def test_any_other_error_is_the_files(ground: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """An error of the medium or the share is no refusal: it is raised, and the next file is asked for as before."""
    file = make(ground / "file", PAGE)
    pages = PageCache()
    with monkeypatch.context() as patch:
        Refusal(patch, name)
        with opened(file) as descriptor, pytest.raises(OSError, match=os.strerror(getattr(errno, name))):
            pages.read_small(descriptor, PAGE)
    assert pages._nowait


@fincore
@pytest.mark.parametrize("size", [PAGE, SMALL_BYTES])
def test_a_platform_without_vectored_reads_reads_small_files(
    ground: Path, monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    """Where there is no preadv, all bytes come, short reads or not."""
    monkeypatch.setattr(cache, "_HAS_PREADV", False)
    real_read = os.read
    monkeypatch.setattr(os, "read", lambda descriptor, wanted: real_read(descriptor, min(wanted, 3000)))
    file = make(ground / "file", size)
    pages = PageCache()
    with opened(file) as descriptor:
        assert bytes(pages.read_small(descriptor, size)) == random.Random(size).randbytes(size)


@pytest.mark.parametrize("most", [1, 1000, PAGE, PAGE + 1])
def test_short_reads_are_asked_on(ground: Path, monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    """A system may give fewer bytes than there are (read(2)); whoever takes that for the end loses the rest."""
    size = 3 * PAGE + 17
    file = make(ground / "file", size)
    real_preadv = os.preadv
    monkeypatch.setattr(
        os,
        "preadv",
        lambda descriptor, buffers, offset, flags=0: real_preadv(descriptor, [buffers[0][:most]], offset, flags),
    )
    for there in (False, True):
        with opened(file) as descriptor:
            drop(descriptor, 0, 0)
            if there:
                bring(file, (0, size))
            assert bytes(PageCache().read_small(descriptor, size)) == random.Random(size).randbytes(size)


# ---- Files of somebody else


@fincore
@pytest.mark.real(root=True)
@pytest.mark.parametrize("size", [PAGE, SMALL_BYTES, 3 * SMALL_BYTES])
@pytest.mark.parametrize("there", [False, True], ids=["was not there", "was there"])
def test_pages_of_a_file_of_somebody_else_are_left_as_they_were(open_ground: Path, size: int, there: bool) -> None:
    """The system hides from all but the owner what is in memory (mincore(2)): another way is found."""
    file = make(open_ground / "file", size)
    file.chmod(0o644)
    if in_memory(file):
        pytest.skip("this file system keeps its pages")
    if there:
        bring(file, (0, size))
    os.seteuid(NOBODY)
    try:
        assert read(file, PageCache()).state == State.PROVED
    finally:
        os.seteuid(0)
    assert in_memory(file) == (pages_of(size) if there else 0)
