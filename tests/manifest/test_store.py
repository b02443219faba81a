"""A manifest: plain SQLite, written once by one process, streamed in order by any other."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import tempfile
from contextlib import closing
from functools import partial
from itertools import takewhile
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.conftest import without_rights
from tests.strategies import HOSTILE_NAMES, paths
from verifier.classes import Side
from verifier.errors import EvidenceUnwritable, ManifestDamaged, ManifestTooNew, NotAManifest, UsageProblem
from verifier.manifest import schema, seal
from verifier.manifest.sample import SampleFile
from verifier.manifest.store import Manifest, ProblemKind
from verifier.manifest.totals import Totals, count
from verifier.tree.entry import BY_RULE, Entry, Kind, State
from verifier.tree.names import is_utf8, to_bytes, to_text
from verifier.tree.trouble import Problem

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.conftest import Mount

COLUMNS: Final = [
    "path", "raw", "kind", "size", "allocated", "mtime_ns", "ctime_ns", "mode", "uid", "gid", "nlink", "device",
    "inode", "target", "xattrs", "head", "digest", "segments", "state", "error", "read_at",
]  # fmt: skip


def entry(path: str, **facts: Any) -> Entry:
    """Return an unread file's entry, unremarkable but for the given facts."""
    raw = None if is_utf8(to_bytes(path)) else to_bytes(path)
    plain = (0, None, 1, 2, 0o644, 3, 4, 1, 5, 6, None, None, None, None, None, "listed", None, None)
    return Entry(path, raw, "file", *plain)._replace(**facts)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return where a manifest may go."""
    return tmp_path / "old.manifest.sqlite"


@pytest.fixture
def written(path: Path) -> Path:
    """Return a small manifest that was closed properly."""
    with Manifest.create(path) as manifest:
        manifest.add([entry("b"), entry("a", kind=Kind.DIRECTORY, state=State.CONTENTLESS)])
        manifest.set_facts(algorithm="blake3", complete=True)
        manifest.set_facts(fingerprint=manifest.seal())
    return path


# ---- The file


def test_the_header_says_what_the_file_is(written: Path) -> None:
    """Bytes 68 to 71 are the application's number, 60 to 63 the version (SQLite file format, section 1.3)."""
    header = written.read_bytes()[:100]
    assert header[:16] == b"SQLite format 3\0"
    assert header[68:72] == b"VFR1" == schema.APPLICATION_ID.to_bytes(4)
    assert int.from_bytes(header[60:64]) == schema.VERSION == 1


def test_tables_and_columns_are_those_that_are_promised(written: Path) -> None:
    """Whoever opens a manifest with any SQLite program finds these tables and columns, in this order."""
    with closing(sqlite3.connect(written)) as plain:
        columns = {
            table: [row[1] for row in plain.execute(f"PRAGMA table_info({table})")]
            for table in ("facts", "entries", "problems")
        }
    assert columns == {
        "facts": ["key", "value"],
        "entries": COLUMNS,
        "problems": ["path", "operation", "error", "attempts", "happened_at"],
    }
    assert list(Entry._fields) == COLUMNS
    assert list(Problem._fields) == columns["problems"]


def test_the_migration_is_recorded(written: Path) -> None:
    """Each migration leaves its name, so that a later version knows where to go on."""
    with closing(sqlite3.connect(written)) as plain:
        assert plain.execute("SELECT migration_set, name FROM _sqlite_migrations").fetchall() == [
            ("verifier.manifest", "first_tables")
        ]


@pytest.mark.parametrize(
    "name", ["a b", "a?mode=rwc", "a#b", "a%41", "\u00e9", os.fsdecode(b"\xff"), "a\nb", "a'b", ":memory:"], ids=repr
)
def test_a_manifest_may_have_any_name(tmp_path: Path, name: str) -> None:
    """A name that means something in a URI or to SQLite is a name, and no other file appears."""
    with Manifest.create(tmp_path / name) as manifest:
        manifest.add([entry("x")])
        manifest.commit()
    with Manifest.open(tmp_path / name) as manifest:
        assert [e.path for e in manifest.entries()] == ["x"]
    assert [p.name for p in tmp_path.iterdir()] == [name]


# ---- Beginning one


@pytest.mark.parametrize("content", [b"", b"a letter", None], ids=["empty", "text", "a manifest"])
def test_a_file_that_is_there_is_never_overwritten(written: Path, path: Path, content: bytes | None) -> None:
    """Whatever is there stays as it was, and the refusal is one line with exit code 2."""
    if content is not None:
        path.write_bytes(content)
    before = path.read_bytes()
    with pytest.raises(UsageProblem, match="is there already") as caught:
        Manifest.create(path)
    assert caught.value.exit_code == 2
    assert path.read_bytes() == before


def test_a_folder_in_the_manifests_place_is_refused(path: Path) -> None:
    """A folder is there already, too."""
    path.mkdir()
    with pytest.raises(UsageProblem, match="is there already"):
        Manifest.create(path)


def test_a_link_is_not_written_through(tmp_path: Path, path: Path) -> None:
    """A link that leads nowhere could lead into a tree: nothing is made at its other end."""
    path.symlink_to("elsewhere")
    with pytest.raises(EvidenceUnwritable):
        Manifest.create(path)
    assert not (tmp_path / "elsewhere").exists()


def test_a_place_that_is_not_there_is_one_line(tmp_path: Path) -> None:
    """A manifest in a folder that does not exist: exit code 4, and the folder is not made."""
    with pytest.raises(EvidenceUnwritable, match="cannot be written") as caught:
        Manifest.create(tmp_path / "missing" / "old.manifest.sqlite")
    assert caught.value.exit_code == 4
    assert not (tmp_path / "missing").exists()


def test_a_place_without_permission_is_one_line(open_ground: Path) -> None:
    """A folder that may not be written to: exit code 4."""
    (open_ground / "closed").mkdir(mode=0o555)
    with without_rights(), pytest.raises(EvidenceUnwritable, match="Permission denied"):
        Manifest.create(open_ground / "closed" / "old.manifest.sqlite")


def test_a_second_writer_is_refused(path: Path) -> None:
    """Two scans into one file would mix two trees: the second finds the file there."""
    with Manifest.create(path) as manifest:
        manifest.add([entry("a")])
        with pytest.raises(UsageProblem, match="is there already"):
            Manifest.create(path)
        manifest.commit()
        assert [e.path for e in manifest.entries()] == ["a"]


def test_a_manifest_that_is_being_written_cannot_be_read(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reconciliation of half a manifest would find everything else missing: it has to wait."""
    monkeypatch.setattr(sqlite3, "connect", partial(sqlite3.connect, timeout=0.05))  # instead of 5 s
    with Manifest.create(path) as manifest:
        manifest.add([entry("a")])
        manifest.commit()
        with pytest.raises(EvidenceUnwritable, match="held by another run"):
            Manifest.open(path)


# ---- Opening one


OTHERS: Final = {
    "nothing": b"",
    "text": b"path,size\n",
    "half a header": b"SQLite format 3\0",
    "zeros": bytes(4096),
}


@pytest.mark.parametrize("content", OTHERS.values(), ids=OTHERS.keys())
def test_another_file_is_not_a_manifest(path: Path, content: bytes) -> None:
    """Whatever else is named: one line, exit code 2, and the file is left alone."""
    path.write_bytes(content)
    with pytest.raises(NotAManifest, match="is not a manifest") as caught:
        Manifest.open(path)
    assert caught.value.exit_code == 2
    assert path.read_bytes() == content


def test_another_program_s_database_is_not_a_manifest(path: Path) -> None:
    """A SQLite file without our number is somebody else's, whatever its tables are called."""
    with closing(sqlite3.connect(path)) as plain:
        plain.execute("CREATE TABLE entries (path)")
    with pytest.raises(NotAManifest, match="is not a manifest"):
        Manifest.open(path)


def test_a_folder_is_not_a_manifest(tmp_path: Path) -> None:
    """A folder where a manifest was meant: one line."""
    with pytest.raises(NotAManifest, match="cannot be read"):
        Manifest.open(tmp_path)


def test_a_missing_file_is_not_a_manifest(path: Path) -> None:
    """A name with nothing behind it: one line, and nothing is made there."""
    with pytest.raises(NotAManifest, match="is not there"):
        Manifest.open(path)
    assert not path.exists()


def test_a_fifo_is_not_a_manifest(path: Path) -> None:
    """A FIFO, as a shell's process substitution gives one, must not hang whoever opens it (fifo(7))."""
    os.mkfifo(path)
    code = (
        "import sys; from pathlib import Path; from verifier.manifest.store import Manifest\n"
        "from verifier.errors import NotAManifest\n"
        "try: Manifest.open(Path(sys.argv[1]))\n"
        "except NotAManifest: print('refused')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, path], capture_output=True, text=True, timeout=3, check=False, env=_environment()
    )
    assert done.stdout == "refused\n"


def _environment() -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(Path(schema.__file__).parents[2])}


def test_a_manifest_that_may_not_be_read_is_one_line(written: Path, open_ground: Path) -> None:
    """No permission to read it: said as such."""
    place = open_ground / "old.manifest.sqlite"
    place.write_bytes(written.read_bytes())
    place.chmod(0o000)
    with without_rights(), pytest.raises(NotAManifest, match="Permission denied"):
        Manifest.open(place)


def test_a_later_version_is_refused(written: Path) -> None:
    """What a later version wrote may mean something else: exit code 2, and both versions are named."""
    with closing(sqlite3.connect(written)) as plain:
        plain.execute(f"PRAGMA user_version = {schema.VERSION + 1}")
    with pytest.raises(ManifestTooNew, match="format version 2, this program reads up to 1") as caught:
        Manifest.open(written)
    assert caught.value.exit_code == 2


TAMPERED: Final = {
    "no entries": ["DROP TABLE entries"],
    "no facts": ["DROP TABLE facts"],
    "no problems": ["DROP TABLE problems"],
    "a column less": ["ALTER TABLE entries DROP COLUMN segments"],
    "a column more": ["ALTER TABLE entries ADD COLUMN extra TEXT"],
    "a column renamed": ["ALTER TABLE entries RENAME COLUMN digest TO digests"],
    "version 0": ["PRAGMA user_version = 0"],
    "a view in place of entries": [
        "ALTER TABLE entries RENAME TO hidden",
        "CREATE VIEW entries AS SELECT * FROM hidden WHERE path <> 'b'",
    ],
}


@pytest.mark.parametrize("statements", TAMPERED.values(), ids=TAMPERED.keys())
def test_other_tables_are_not_taken_for_a_manifest(written: Path, statements: list[str]) -> None:
    """A file whose tables are not exactly a manifest's is damaged: exit code 4, one line."""
    with closing(sqlite3.connect(written)) as plain:
        for statement in statements:
            plain.execute(statement)
        plain.commit()
    with pytest.raises(ManifestDamaged, match="lacks tables or columns") as caught:
        Manifest.open(written)
    assert caught.value.exit_code == 4


def test_an_open_manifest_cannot_be_written(written: Path) -> None:
    """Readers do not change what they read, even by mistake."""
    before = written.read_bytes()
    with Manifest.open(written) as manifest, pytest.raises((EvidenceUnwritable, sqlite3.Error)):
        manifest.add([entry("c")])
    assert written.read_bytes() == before
    assert [p.name for p in written.parent.iterdir()] == [written.name]


def test_a_manifest_on_read_only_storage_can_be_opened(written: Path) -> None:
    """Evidence may have been put where nothing can be written."""
    written.chmod(0o444)
    written.parent.chmod(0o555)
    try:
        with Manifest.open(written) as manifest:
            manifest.check()
    finally:
        written.parent.chmod(0o755)


# ---- Rows


@st.composite
def entries(draw: st.DrawFn) -> Entry:
    """Draw an entry with any name and any numbers that fit."""
    path = to_text(draw(paths()))
    number = st.integers(-(2**63), 2**63 - 1)
    maybe_bytes = st.none() | st.binary(max_size=32)
    maybe_text = st.none() | paths().map(to_text)
    return entry(
        path,
        kind=draw(st.sampled_from(Kind)),
        state=draw(st.sampled_from(State)),
        size=draw(st.integers(0, 2**40)),
        allocated=draw(st.none() | st.integers(0, 2**40)),
        mtime_ns=draw(number),
        ctime_ns=draw(number),
        device=draw(number),
        inode=draw(number),
        target=draw(maybe_text),
        xattrs=draw(maybe_text),
        digest=draw(maybe_bytes),
        segments=draw(maybe_bytes),
        head=draw(maybe_bytes),
        error=draw(maybe_text),
    )


@given(rows=st.lists(entries(), unique_by=lambda e: e.path, max_size=12))
@settings(max_examples=25)
def test_entries_come_back_as_they_went_in_path_order(rows: list[Entry]) -> None:
    """Whatever the names and numbers are, every entry is the same afterwards; order is that of the paths' UTF-8."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "m"
        with Manifest.create(place) as manifest:
            manifest.add(rows)
            manifest.commit()
        with Manifest.open(place) as manifest:
            assert list(manifest.entries()) == sorted(rows, key=lambda e: e.path.encode())
            for row in rows:
                assert manifest.entry(row.path) == row


def test_hostile_names_find_their_own_row(path: Path) -> None:
    """Each hostile name is one row that is found by its own text and by no other."""
    texts = [to_text(name) for name in HOSTILE_NAMES]
    with Manifest.create(path) as manifest:
        manifest.add([entry(text, size=n) for n, text in enumerate(texts)])
        for n, text in enumerate(texts):
            found = manifest.entry(text)
            assert found is not None
            assert found.size == n
        assert manifest.entry("not there") is None


def test_one_path_is_one_row(path: Path) -> None:
    """A path that comes again, as from a reader that took an ended one's place, replaces its row: never two of it."""
    with Manifest.create(path) as manifest:
        waits = entry("a", kind=Kind.DIRECTORY, state=State.LISTED)
        manifest.add([waits, entry("b", size=1)])
        assert manifest.waiting(9) == ["a"]
        manifest.add([waits._replace(state=State.CONTENTLESS), entry("b", size=2)])
        assert [(e.path, e.size, e.state) for e in manifest.entries()] == [("a", 0, "contentless"), ("b", 2, "listed")]
        assert manifest.waiting(9) == []


def test_what_was_not_committed_is_gone(path: Path) -> None:
    """Rows last with the next commit; a scan that ends before it leaves what it had committed."""
    with Manifest.create(path) as manifest:
        manifest.add([entry("a")])
        manifest.commit()
        manifest.add([entry("b")])
    with Manifest.open(path) as manifest:
        assert [e.path for e in manifest.entries()] == ["a"]


def test_facts_are_text(path: Path) -> None:
    """Truth values are 0 and 1, nothing is the empty text, a fact that is set again is replaced."""
    with Manifest.create(path) as manifest:
        manifest.set_facts(complete=False, finished=None, grain_ns=100, root="/srv")
        manifest.set_facts(complete=True)
    with Manifest.open(path) as manifest:
        assert manifest.facts() == {"complete": "1", "finished": "", "grain_ns": "100", "root": "/srv"}


def test_totals_count_every_name(path: Path) -> None:
    """Files, folders, bytes and each state are counted; a directory that could not be listed is unreadable.

    What was read now and what is only known from before are never one number, and the oldest reading of either counts.
    """
    with Manifest.create(path) as manifest:
        manifest.add([
            entry("a", state=State.PROVED, size=10, read_at="2026-11-21T22:00:00+00:00"),
            entry("b", state=State.PROVED, size=20, read_at="2026-11-21T21:00:00+00:00"),
            entry("c", state=State.LISTED, size=40),
            entry("d", state=State.UNREADABLE, size=80),
            entry("e", state=State.UNSETTLED, size=160),
            entry("f", kind=Kind.DIRECTORY, state=State.CONTENTLESS),
            entry("g", kind=Kind.DIRECTORY, state=State.UNREADABLE),
            entry("h", kind=Kind.DIRECTORY, state=State.LISTED),
            entry("i", kind=Kind.LINK, state=State.CONTENTLESS, size=5),
            entry("j", kind=Kind.UNKNOWN, state=State.UNSETTLED),
            entry("k", state=State.CARRIED, size=320, read_at="2026-09-01T00:00:00+00:00"),
            entry("l", state=State.CARRIED, size=640, read_at="2026-09-02T00:00:00+00:00"),
            entry("m", state=State.UNSETTLED, read_at="2020-01-01T00:00:00+00:00"),
        ])  # fmt: skip
        totals = manifest.totals()
    assert totals._asdict() == {
        "entries": 13, "files": 8, "directories": 3, "bytes": 1270, "proved_files": 2, "proved_bytes": 30,
        "carried_files": 2, "carried_bytes": 960, "oldest_read": "2026-09-01T00:00:00+00:00",
        "unreadable": 2, "unsettled": 3, "unread": 1, "not_entered": 1,
    }  # fmt: skip


def test_a_folder_that_was_not_entered_counts_unless_a_rule_says_so(path: Path) -> None:
    """A mount point that was not entered and a folder that still waits are gaps; what a rule keeps out of is none."""
    with Manifest.create(path) as manifest:
        manifest.add([
            entry("waits", kind=Kind.DIRECTORY, state=State.LISTED),
            entry("mount", kind=Kind.DIRECTORY, state=State.LISTED, error="another file system: list"),
            entry("ruled", kind=Kind.DIRECTORY, state=State.LISTED, error=f"{BY_RULE}snapshots"),
            entry("entered", kind=Kind.DIRECTORY, state=State.CONTENTLESS),
        ])  # fmt: skip
        assert manifest.totals().not_entered == 2


def test_an_empty_manifest_counts_to_nothing(path: Path) -> None:
    """No rows are zeros, not NULL."""
    with Manifest.create(path) as manifest:
        assert manifest.totals()._replace(oldest_read=None) == Totals(*(0,) * 8, None, *(0,) * 4)


# ---- Errors that were met


def problem(path: str, error: str = "EACCES", operation: str = "open", attempts: int = 1) -> Problem:
    """Return an error as a scan notes it."""
    return Problem(path, operation, error, attempts, "2026-11-21T22:00:00+00:00")


def kinds(path: Path, problems: list[Problem]) -> list[ProblemKind]:
    """Return the kinds of errors that a manifest counts."""
    with Manifest.create(path) as manifest:
        manifest.add((), problems)
        return manifest.problem_kinds()


def test_errors_are_counted_by_kind_most_frequent_first(path: Path) -> None:
    """What was being done and the errno make a kind; an entry that met the same error twice is one entry."""
    found = kinds(path, [
        problem("x/b", "EIO", "read", 3), problem("x/b", "EIO", "read", 2), problem("x/c", "EIO", "read"),
        problem("d"), problem("x/a"), problem("x/z"), problem("x/a", "EACCES", "list"),
    ])  # fmt: skip
    assert found == [
        ProblemKind("open", "EACCES", 3, "", 1),
        ProblemKind("read", "EIO", 2, "x", 3),
        ProblemKind("list", "EACCES", 1, "x", 1),
    ]


def test_what_follows_an_errors_name_makes_no_kind_of_its_own(path: Path) -> None:
    """`EIO: read at 5` and `EIO: read at 9` are both EIO."""
    assert kinds(path, [problem("a", "EIO: read at 5"), problem("b", "EIO: read at 9")]) == [
        ProblemKind("open", "EIO", 2, "", 1)
    ]


@pytest.mark.parametrize(
    ("paths", "folder"),
    [
        (["a"], ""),
        ([""], ""),
        (["", "a/b"], ""),
        (["a/b/c"], "a/b"),
        (["a/b/c", "a/b/d/e/f", "a/b/x"], "a/b"),
        (["accounts/1", "accounts-old/1"], ""),
        (["s/accounts", "s/accounts/1"], "s"),
        (["a/b", "a/c/d", "b"], ""),
        (["\\xff/a", "\\xff/b"], "\\xff"),
    ],
)
def test_the_folder_of_a_kind_holds_every_entry_of_it(path: Path, paths: list[str], folder: str) -> None:
    """The deepest folder that all of them lie in, by whole names; the root where there is no other."""
    (found,) = kinds(path, [problem(one) for one in paths])
    assert (found.folder, found.entries) == (folder, len(paths))


@given(given_paths=st.lists(paths().map(to_text), min_size=1, max_size=8, unique=True))
@settings(max_examples=25)
def test_the_folder_is_what_counting_names_gives(given_paths: list[str]) -> None:
    """Whatever the names are: the longest chain of folders that is above every path."""
    above = [path.split("/")[:-1] for path in given_paths]
    alike = takewhile(lambda names: len(set(names)) == 1, zip(*above, strict=False))
    expected = [names[0] for names in alike]
    with tempfile.TemporaryDirectory() as place:
        assert kinds(Path(place) / "m", [problem(one) for one in given_paths])[0].folder == "/".join(expected)


# ---- What is to be read


def pages(manifest: Manifest, limit: int, *, links_once: bool) -> Iterator[str]:
    """Page through everything that is to be read."""
    after = ""
    while page := manifest.to_read(after, limit, links_once=links_once):
        assert len(page) <= limit
        yield from (path for path, *_ in page)
        after = page[-1][0]


@pytest.mark.parametrize("limit", [1, 2, 100])
def test_files_to_read_come_in_pages(path: Path, limit: int) -> None:
    """Every file that was listed comes exactly once, in path order, and nothing else does."""
    with Manifest.create(path) as manifest:
        manifest.add([
            entry("z"), entry("a"), entry("m/x"), entry("\u00e9"), entry("\\xff"),
            entry("folder", kind=Kind.DIRECTORY, state=State.LISTED), entry("read", state=State.PROVED),
            entry("bad", state=State.UNREADABLE), entry("link", kind=Kind.LINK, state=State.CONTENTLESS),
        ])  # fmt: skip
        assert list(pages(manifest, limit, links_once=False)) == ["\\xff", "a", "m/x", "z", "\u00e9"]


@pytest.mark.parametrize("limit", [1, 2, 100])
@pytest.mark.parametrize(("side", "expected"), [(Side.OLD, ["a", "c", "e"]), (Side.NEW, ["b", "d", "e"])])
def test_reading_can_be_limited_to_a_sample(path: Path, side: Side, expected: list[str], limit: int) -> None:
    """Only its files come, by their paths on that side and in order, and are counted alike, until it is lifted."""
    with SampleFile.create(path.with_name("sample")) as sample:
        pairs = [("e", "e"), ("c", "b"), ("a", "d"), ("read", "not there"), ("folder", "read")]
        sample.connection.executemany("INSERT INTO drawn VALUES (?, ?, 1)", pairs)
    with Manifest.create(path) as manifest:
        manifest.add([entry(name, size=10) for name in "abcdef"])
        manifest.add([entry("read", state=State.PROVED), entry("folder", kind=Kind.DIRECTORY, state=State.LISTED)])
        manifest.limit_reading(path.with_name("sample"), side)
        assert list(pages(manifest, limit, links_once=False)) == expected
        assert manifest.left_to_read(links_once=False) == (3, 30)
        content = ("proved", None, b"digest", None, b"head", "{}", "now")
        manifest.record([(*content, expected[0])], [])
        assert list(pages(manifest, limit, links_once=False)) == expected[1:]
        manifest.lift_limit()
        assert len(list(pages(manifest, limit, links_once=False))) == 5
    with Manifest.open(path) as opened:
        assert opened.digests(expected)[expected[0]] == b"digest"


def test_of_several_names_of_one_inode_the_first_is_read(path: Path) -> None:
    """Names of one inode are found by device and inode; the same number on another device is another file."""
    twins = {"nlink": 2, "inode": 7}
    with Manifest.create(path) as manifest:
        manifest.add([
            entry("b", device=1, **twins), entry("a", device=1, **twins), entry("c", device=2, **twins),
            entry("d", device=1, inode=8, nlink=2), entry("e", device=1, inode=9),
        ])  # fmt: skip
        assert list(pages(manifest, 2, links_once=True)) == ["a", "c", "d", "e"]
        assert list(pages(manifest, 2, links_once=False)) == ["a", "b", "c", "d", "e"]


def test_a_reading_is_shared_only_with_names_that_were_the_same_file(path: Path) -> None:
    """A name whose size or times differ from the first one's was not seen as the same file: it is read by itself."""
    same = {"nlink": 5, "inode": 7, "size": 9, "mtime_ns": 1, "ctime_ns": 2}
    with Manifest.create(path) as manifest:
        manifest.add([
            entry("a", **same), entry("b", **same), entry("c", **same | {"size": 8}),
            entry("d", **same | {"mtime_ns": 0}), entry("e", **same | {"ctime_ns": 0}), entry("f", size=9),
        ])  # fmt: skip
        content = ("proved", None, b"digest", None, b"head", "{}", "2026-11-21T22:00:00+00:00")
        manifest.record([(*content, "a")], [])
        manifest.share_readings_of_links()
        found = {e.path: (e.state, e.digest) for e in manifest.entries()}
    assert found["a"] == found["b"] == ("proved", b"digest")
    assert {found[path] for path in "cdef"} == {("listed", None)}


def test_a_reading_with_other_facts_replaces_them(path: Path) -> None:
    """What had changed since it was listed is stored with the facts it was read with."""
    with Manifest.create(path) as manifest:
        manifest.add([entry("a", size=1), entry("b", size=1)])
        content = ("proved", None, b"digest", b"segments", b"head", "{}", "now")
        manifest.record([(*content, "a")], [(*content, 2, 4096, 10, 20, 0o600, 30, 40, 1, "b")])
        a, b = manifest.entries()
    assert (a.size, a.mtime_ns, a.digest, a.segments, a.head, a.xattrs, a.read_at) == (
        1, 1, b"digest", b"segments", b"head", "{}", "now",
    )  # fmt: skip
    assert (b.size, b.allocated, b.mtime_ns, b.ctime_ns, b.mode, b.uid, b.gid) == (2, 4096, 10, 20, 0o600, 30, 40)


# ---- Errors of the database


def test_what_a_crash_in_the_middle_of_writing_left_is_told_rightly(path: Path, tmp_path: Path) -> None:
    """A power cut leaves pages that were never committed, and a journal to undo them (SQLite, Atomic Commit, 4.1).

    Whoever opens that gets what was committed, or one line that does not send him looking at permissions.
    """
    copy = tmp_path / "after the crash"
    with Manifest.create(path) as manifest:
        manifest.set_facts(complete=False, fingerprint=None)
        manifest.add([entry("committed")])
        manifest.commit()
        manifest.connection.execute("PRAGMA cache_size = 10")  # so that pages reach the file before the commit
        manifest.add([entry(f"{n:05}{'x' * 100}") for n in range(5000)])
        copy.write_bytes(path.read_bytes())
        Path(f"{copy}-journal").write_bytes(Path(f"{path}-journal").read_bytes())
    try:
        with Manifest.open(copy) as manifest:
            found = [e.path for e in manifest.entries()]
    except EvidenceUnwritable as error:
        assert "permission" not in str(error)
    except ManifestDamaged as error:
        assert "scan that side again" in str(error)
    else:
        assert found == ["committed"]


@pytest.mark.real(mounts=True)
def test_no_space_is_one_line(tmp_path: Path, mount: Mount) -> None:
    """A full disk under the manifest: exit code 4, with what to do."""
    (tmp_path / "tiny").mkdir()
    mount("-t", "tmpfs", "-o", "size=300k", "none", tmp_path / "tiny")
    with Manifest.create(tmp_path / "tiny" / "m") as manifest:
        with pytest.raises(EvidenceUnwritable, match="free some space") as caught:
            for n in range(100):
                manifest.add([entry(f"{n}-{m}-{'x' * 200}") for m in range(100)])
                manifest.commit()
        assert caught.value.exit_code == 4


@given(
    rows=st.lists(
        st.tuples(st.sampled_from(Kind), st.sampled_from(State), st.integers(0, 2**40), st.integers(0, 59)), max_size=60
    ),
    length=st.integers(1, 7),
)
@settings(max_examples=40)
def test_runs_together_are_the_whole(rows: list[tuple[Kind, State, int, int]], length: int) -> None:
    """Counted run by run or at once, whatever the length of a run: every entry counts, and none counts twice."""
    with tempfile.TemporaryDirectory() as place, pytest.MonkeyPatch.context() as patch:
        patch.setattr(seal, "RUN_ENTRIES", length)
        with Manifest.create(Path(place) / "m") as manifest:
            for n, (kind, state, size, second) in enumerate(rows):
                read_at = f"2026-11-21T22:00:{second:02}+00:00"
                manifest.add([entry(f"{n * 7 % 61:02}", kind=kind, state=state, size=size, read_at=read_at)])
            runs = manifest.runs()
            assert len(runs) == -(-len(rows) // length)
            together = Totals()
            for run in runs:
                together = together.plus(count(manifest.connection, run))
            assert together == manifest.totals()
            assert together.entries == len(rows)


# ---- Going on with what was read before


@pytest.mark.parametrize("name", ["m", "file:m", "file:m?mode=memory", "m?mode=ro", "%6d", "a'b", "ü\udcff"])
def test_whatever_a_manifest_is_called_it_is_that_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """A file's name is no address, though SQLite would take one for it (sqlite.org/uri.html, section 2)."""
    monkeypatch.chdir(tmp_path)
    with Manifest.create(Path(name)) as later:
        later.add([entry("a", kind=Kind.FILE, state=State.PROVED, digest=b"d" * 32)])
        later.commit()
    with Manifest.create(Path("before")) as before:
        before.take_over(Path(name))
        assert [one.path for one in before.entries()] == ["a"]
    assert {file.name for file in tmp_path.iterdir()} == {name, "before"}


# ---- Taking neighbours over from an earlier manifest

LIMITS: Final = ("2026-11-21T00:00:00+00:00", 10**18)


@pytest.fixture
def neighbours(path: Path, tmp_path: Path) -> Iterator[Manifest]:
    """Return a manifest with an earlier one attached that knows a file in each of many ways."""
    facts = {"kind": Kind.FILE, "digest": b"d" * 32, "size": 7, "device": 1}
    early, late = "2026-11-20T23:59:59+00:00", "2026-11-21T22:00:00+00:00"
    with Manifest.create(tmp_path / "earlier") as earlier:
        earlier.add([
            entry("a/1", state=State.PROVED, read_at=late, xattrs="{}", segments=b"s" * 32, head=b"h", **facts),
            entry("a/2", state=State.CARRIED, read_at=late, **facts),
            entry("a/3", state=State.PROVED, read_at=late, ctime_ns=10**18 + 1, **facts),
            entry("a/4", state=State.PROVED, read_at=early, **facts),
            entry("a/5", state=State.LISTED, read_at=late, **facts),
            entry("a/6", state=State.PROVED, read_at=late, **facts | {"digest": None}),
            entry("a/7", state=State.PROVED, read_at=late, **facts | {"kind": Kind.DIRECTORY}),
        ])  # fmt: skip
        earlier.commit()
    with Manifest.create(path) as manifest:
        for state in ("proved", "carried"):
            manifest.attach(state, tmp_path / "earlier")
        yield manifest


@pytest.mark.parametrize(("state", "paths"), [("proved", ["a/1"]), ("carried", ["a/1", "a/2"])])
def test_of_neighbours_only_those_are_taken_that_count(neighbours: Manifest, state: str, paths: list[str]) -> None:
    """Read, in a state that counts, within the limits, with a digest: whole rows, on the device of now."""
    neighbours.add_unchanged(state, ("a/1", "a/9", *LIMITS), 77, len(paths))
    neighbours.detach(state)
    found = list(neighbours.entries())
    assert [one.path for one in found] == paths
    assert {(one.state, one.device, one.size, one.digest) for one in found} == {(state, 77, 7, b"d" * 32)}
    assert (found[0].xattrs, found[0].segments, found[0].head) == ("{}", b"s" * 32, b"h")


def test_an_earlier_manifest_that_changed_meanwhile_is_noticed(neighbours: Manifest) -> None:
    """Another number of rows than a reader saw is no row that may be believed."""
    with pytest.raises(ManifestDamaged, match="changed while it was used"):
        neighbours.add_unchanged("carried", ("a/1", "a/9", *LIMITS), 77, 3)


def test_an_attached_manifest_is_not_written_to(neighbours: Manifest) -> None:
    """Whatever statement comes: what is reused is opened for reading only."""
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        neighbours.connection.execute("DELETE FROM carried.entries")
