"""differences.csv: one row a finding, in order, RFC 4180, and nothing in it that a spreadsheet would run."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.reconcile.trees import Node, compared, file, plant, reconciled, scratch
from verifier.classes import Cause, Class, Field, Severity
from verifier.reconcile.findings import Finding, Findings
from verifier.report.table import HEADER, write_table
from verifier.tree.entry import Kind
from verifier.tree.names import shown, to_bytes, to_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from tests.reconcile.trees import Outcome

CONTRACT_HEADER: Final = (
    "class,cause,severity,old_path,new_path,old_size,new_size,old_mtime,new_mtime,fields,rule,group,systematic"
)
ACTIVE: Final = ("=", "+", "-", "@", "\t", "\r")
PATH_COLUMNS: Final = ("old_path", "new_path", "group")


def table(findings: Iterable[Finding], combinations: Iterable[tuple[str, Sequence[int | None]]] = ()) -> str:
    """Write findings as a table; of combinations of marks it is known which systematic differences they are."""
    with scratch() as base, Findings.create(base / "findings.sqlite") as store:
        store.add(findings)
        store.set_systematic((), combinations)
        out = io.StringIO(newline="")
        write_table(store, out)
    return out.getvalue()


def table_of(outcome: Outcome) -> list[dict[str, str]]:
    """Return what a reconciliation's table says, row by row."""
    return rows(table(outcome.findings))


def rows(text: str) -> list[dict[str, str]]:
    """Read a table with Python's csv module, strictly."""
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


def records(text: str) -> list[list[str]]:
    """Read a table by the grammar of RFC 4180, section 2, and by nothing else.

    Raises:
        AssertionError: If it does not follow the grammar: CR LF after each record, fields quoted where they hold a
            comma, a quote or a line break, quotes doubled inside.
    """
    found, record, at = [], [], 0
    while at < len(text):
        if text[at] == '"':
            end = at + 1
            value = ""
            while True:
                close = text.index('"', end)
                value += text[end:close]
                if text[close + 1 : close + 2] != '"':
                    break
                value += '"'
                end = close + 2
            at = close + 1
        else:
            end = min(place for sign in (",", "\r\n") if (place := text.find(sign, at)) >= 0)
            value = text[at:end]
            assert not set(value) & {'"', "\r", "\n"}
            at = end
        record.append(value)
        if text.startswith("\r\n", at):
            found.append(record)
            record, at = [], at + 2
        else:
            assert text[at] == ","
            at += 1
            if text.startswith("\r\n", at):
                record.append("")
                found.append(record)
                record, at = [], at + 2
    assert not record
    return found


def raw_of(cell: str) -> bytes:
    """Return the bytes of the name that a cell shows, without the apostrophe against formulas."""
    return to_bytes(cell[1:] if cell.startswith("'") and cell[1:].startswith(ACTIVE) else cell)


def finding(old_path: str | None = "a", new_path: str | None = "a", **values: Any) -> Finding:
    """Return a finding about a file."""
    old, new = old_path is not None, new_path is not None
    blank = Finding(
        Class.METADATA_ONLY.value,
        None,
        Severity.NOTE.value,
        old_path,
        new_path,
        Kind.FILE.value if old else None,
        Kind.FILE.value if new else None,
        1 if old else None,
        1 if new else None,
        0 if old else None,
        0 if new else None,
        None,
        None,
        None,
        False,
        "because",
    )
    return blank._replace(**values)


def test_the_header_is_the_contracts() -> None:
    """Programs find columns by these names, in this order; an empty table has a header all the same."""
    assert ",".join(HEADER) == CONTRACT_HEADER
    assert table([]) == CONTRACT_HEADER + "\r\n"


def test_a_row_says_what_the_finding_says() -> None:
    """Every column of a finding that has everything."""
    whole = finding(
        "old/a",
        "new/a",
        cls=Class.CONTENT_CHANGED.value,
        cause=Cause.STALE.value,
        severity=Severity.BLOCKER.value,
        old_size=12,
        new_size=34,
        old_mtime_ns=1_600_000_000_123_456_789,
        new_mtime_ns=0,
        fields="mtime;mode",
        rule="a-rule",
        group_path="old",
    )
    assert table([whole]).splitlines()[1] == (
        "content-changed,stale,blocker,old/a,new/a,12,34,2020-09-13T12:26:40.123456789Z,1970-01-01T00:00:00Z,"
        "mtime;mode,a-rule,old,"
    )


def test_a_side_that_has_nothing_leaves_its_columns_empty() -> None:
    """Missing and extra entries fill one side only."""
    missing, extra = rows(table([finding("a", None), finding(None, "b")]))[::-1]
    assert [missing[f"new_{what}"] for what in ("path", "size", "mtime")] == ["", "", ""]
    assert [extra[f"old_{what}"] for what in ("path", "size", "mtime")] == ["", "", ""]
    assert (missing["old_path"], extra["new_path"]) == ("a", "b")


def test_rows_are_ordered_by_old_path_then_new_path() -> None:
    """A side without a path sorts first; paths sort by their bytes, whatever the order of the findings."""
    paths = [("b", "x"), (None, "z"), ("a", None), ("b", "w"), (None, "y"), ("B", "x"), ("a/b", "a"), ("a-b", "a")]
    found = [(row["old_path"], row["new_path"]) for row in rows(table(finding(*pair) for pair in paths))]
    assert found == sorted(found)
    assert [pair[0] for pair in found] == ["", "", "B", "a", "a-b", "a/b", "b", "b"]


def test_many_rows_all_come_in_order() -> None:
    """Rows leave in parts; none is lost, doubled or moved where one part meets the next."""
    paths = [f"sheets/{count:04}.tif" for count in range(2500)]
    text = table(finding(path, None) for path in reversed(paths))
    assert [row["old_path"] for row in rows(text)] == paths


def test_what_differs_in_systematic_ways_says_which() -> None:
    """The numbers of the facts that a row takes part in; nothing where there are none, or no marks at all."""
    marks = ["owner 1000 3001", "owner 1000 3001\nmode 420 384", "mode 420 384", None]
    told = table(
        (finding(f"{number}", "x", marks=one) for number, one in enumerate(marks)),
        [("owner 1000 3001", [1]), ("owner 1000 3001\nmode 420 384", [2, 1])],
    )
    assert [row["systematic"] for row in rows(told)] == ["1", "1;2", "", ""]


@pytest.mark.parametrize("new", ["b", "c", None])
@pytest.mark.parametrize("old", ["b", "c", None])
def test_what_differs_between_the_sides_is_told_of_each(old: str | None, new: str | None) -> None:
    """What is the same on both sides is written out once; nothing is taken from the other side that is not the same."""
    times_ns = {"b": 10**9, "c": 2 * 10**9, None: None}
    told = rows(table([finding(old, new, old_mtime_ns=times_ns[old], new_mtime_ns=times_ns[new])]))[0]
    texts = {"b": "1970-01-01T00:00:01Z", "c": "1970-01-01T00:00:02Z", None: ""}
    assert (told["old_path"], told["new_path"]) == (old or "", new or "")
    assert (told["old_mtime"], told["new_mtime"]) == (texts[old], texts[new])


def test_one_row_a_finding_and_none_for_what_is_identical() -> None:
    """Each lost file has a row of its own, also in a folder that is lost as a whole."""
    old = [file("gone/a", b"1"), file("gone/b/c", b"2"), file("same")]
    outcome = reconciled(old, [file("same")])
    told = table_of(outcome)
    assert [row["old_path"] for row in told] == ["gone", "gone/a", "gone/b", "gone/b/c"]
    assert {row["group"] for row in told} == {"gone"}
    assert Class.IDENTICAL not in {row["class"] for row in told}


@pytest.mark.parametrize("start", ["=", "+", "-", "@"])
def test_what_a_spreadsheet_would_run_is_preceded_by_an_apostrophe(start: str) -> None:
    """A name that begins like a formula is text, in every column that shows a path."""
    path = f'{start}cmd|"/c calc"!A0'
    row = rows(table([finding(path, path, group_path=path)]))[0]
    assert {row[column] for column in PATH_COLUMNS} == {f"'{path}"}


@pytest.mark.parametrize(
    "start", ["\t", "\r", "\n", "\0", "\x1b", "\x7f", "\x85", "\u2028", "\u202e", "\ufeff"], ids=ascii
)
def test_control_and_invisible_characters_are_escaped(start: str) -> None:
    r"""They appear as the \xNN of their UTF-8 bytes, so a cell that begins with one begins with a backslash."""
    row = rows(table([finding(f"{start}=1", None)]))[0]
    assert row["old_path"] == "".join(f"\\x{byte:02x}" for byte in start.encode()) + "=1"


def test_a_backslash_is_doubled_and_other_bytes_are_escaped() -> None:
    r"""A backslash is \\, a byte that is not UTF-8 is \xNN, and the two cannot be confused."""
    names = [b"back\\slash", b"\xff", b"\\xff", b"caf\xc3\xa9"]
    told = {row["old_path"] for row in rows(table(finding(to_text(name), None) for name in names))}
    assert told == {"back\\\\slash", "\\xff", "\\\\xff", "caf\u00e9"}


@pytest.mark.parametrize("column", ["cls", "severity", "cause", "fields", "rule"])
def test_any_cell_is_quoted_where_it_has_to_be(column: str) -> None:
    """A findings file may come from anybody: no cell of it begins a column or a row of its own."""
    values = [f"a{sign}b" for sign in (",", '"', "\n", "\r", "\r\n", ',"', '",')]
    header, *told = records(table(finding(str(n), None, **{column: value}) for n, value in enumerate(values)))
    place = header.index("class" if column == "cls" else column)
    assert [record[place] for record in told] == values


def test_commas_and_quotes_survive() -> None:
    """Quoted where it has to be, as RFC 4180 says."""
    names = ["a,b", 'a"b', '"', ",", '","', "a b", "'"]
    text = table(finding(name, None) for name in names)
    assert {record[3] for record in records(text)[1:]} == set(names)


NAMES: Final = st.one_of(
    st.binary(min_size=1, max_size=20),
    st.text(max_size=12).map(str.encode),
    st.sampled_from(
        [
            b"=1+1",
            b"+1",
            b"-1",
            b"@SUM(A1)",
            b"\t=1",
            b"\r\n=1",
            b'","',
            b'"',
            b"\x1b[2J",
            b"\xff\xfe",
            b"\\x41",
            b"<b>",
        ]
    ),
).map(lambda raw: b"/".join(part for part in raw.replace(b"\0", b"0").split(b"/") if part).lstrip(b"'") or b"x")
"""Paths without an apostrophe in front: one before a sign looks like the one that the contract puts there."""
MAYBE: Final = st.none() | NAMES.map(to_text)


@st.composite
def findings(draw: st.DrawFn) -> Finding:
    """Return a finding of any class with any names."""
    old, new = draw(MAYBE), draw(MAYBE)
    if old is None and new is None:
        old = "x"
    number = st.integers(0, 2**63 - 1)
    when = st.integers(-(2**63) + 1, 2**63 - 1)
    return finding(
        old,
        new,
        cls=draw(st.sampled_from(list(Class))).value,
        cause=draw(st.none() | st.sampled_from([cause.value for cause in Cause])),
        severity=draw(st.sampled_from(list(Severity))).value,
        old_size=None if old is None else draw(number),
        new_size=None if new is None else draw(number),
        old_mtime_ns=None if old is None else draw(when),
        new_mtime_ns=None if new is None else draw(when),
        fields=draw(st.none() | st.sampled_from([Field.MODE.value, "mtime;owner"])),
        rule=draw(st.none() | st.sampled_from(["windows-bin", "a-rule"])),
        group_path=draw(MAYBE),
    )


@settings(max_examples=40, deadline=None)
@given(given_=st.lists(findings(), max_size=6))
@example(given_=[finding("=1+cmd", '","'), finding(None, "\r"), finding('"', None, group_path="\t")])
def test_any_findings_survive_the_table(given_: list[Finding]) -> None:
    """Whatever the names, the table follows the grammar, two readers agree on it, and every value comes back."""
    text = table(given_)
    assert text.encode().decode() == text
    read = records(text)
    assert read == [list(HEADER), *(list(row.values()) for row in rows(text))]
    assert read[0] == CONTRACT_HEADER.split(",")
    again = io.StringIO(newline="")
    csv.writer(again, lineterminator="\r\n").writerows(read)
    assert text == again.getvalue()  # quotes where the standard library's writer sets them, and nowhere else
    kept = sorted(given_, key=lambda one: (one.old_path or "", one.new_path or ""))
    for cells in read:
        for cell in cells:
            assert cell.isprintable()
            assert not cell.startswith(ACTIVE)
    told = [dict(zip(HEADER, cells, strict=True)) for cells in read[1:]]
    assert [[raw_of(row[column]) for column in PATH_COLUMNS[:2]] for row in told] == [
        [to_bytes(path or "") for path in (one.old_path, one.new_path)] for one in kept
    ]
    assert sorted(row["class"] for row in told) == sorted(one.cls for one in kept)
    assert sorted(row["old_size"] for row in told) == sorted(
        "" if one.old_size is None else str(one.old_size) for one in kept
    )


@settings(max_examples=15, deadline=None)
@given(
    names=st.lists(
        st.binary(min_size=1, max_size=12)
        .map(lambda raw: raw.replace(b"/", b"_").replace(b"\0", b"_"))
        .filter(lambda raw: raw not in (b".", b"..") and not raw.startswith(b"'")),
        min_size=1,
        max_size=5,
        unique=True,
    )
)
def test_names_of_any_bytes_survive_from_the_disk_to_the_table(names: list[bytes]) -> None:
    """Tree, manifest, findings, table, and back: the bytes of every lost and every new name are the ones on disk."""
    with scratch() as base:
        lost = {b"lost/" + name: Node(b"1%d" % n) for n, name in enumerate(names)}
        new = {b"new/" + name: Node(b"2%d" % n) for n, name in enumerate(names)}
        top = {b"-" + name: Node(b"3%d" % n) for n, name in enumerate(names)}
        outcome = compared(plant(base / "old", {**lost, **top}), plant(base / "new", new))
    told = table_of(outcome)
    assert {raw_of(row["old_path"]) for row in told if row["old_path"]} == {b"lost", *lost, *top}
    assert {raw_of(row["new_path"]) for row in told if row["new_path"]} == {b"new", *new}


def test_shown_paths_are_what_the_cell_holds() -> None:
    """The table shows names as every other form of the report does."""
    name = to_text(b"a\x07\xe2\x80\xae.txt")
    assert rows(table([finding(name, None)]))[0]["old_path"] == shown(name)
