"""The job file to start from: it loads to what was meant, and every key is in it and in the reference."""

from __future__ import annotations

import os
import re
from os.path import normpath
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from tests.strategies import paths
from verifier.classes import Phase
from verifier.errors import JobFileError, UsageProblem
from verifier.job.job import Job, JobSide
from verifier.job.keys import KEYS, TABLES, keys_in
from verifier.job.load import read_job
from verifier.job.reference import reference
from verifier.job.shape import JobShape
from verifier.job.template import NewJob, job_text, quoted
from verifier.toml import keys_of, shapes_below
from verifier.tree.names import is_utf8

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydantic import BaseModel

PLACE: Final = Path("/etc/verifier/migration.toml")
WANTED: Final = NewJob(
    "herbarium", Path("/mnt/old"), (Path("/mnt/new"), Path("/mnt/more")), Path("/var/lib/verifier/herbarium")
)
MEANT: Final = Job(
    PLACE, "herbarium", Phase.COPYING, JobSide((WANTED.old,)), JobSide(WANTED.new), Path("/var/lib/verifier/herbarium")
)
SET: Final = re.compile(r"^#?(?:\[+(?P<table>\w+)\]+|(?P<key>\w+) = .*)$", re.MULTILINE)
"""A table or a key, also one behind a ``#``; a comment has a space there."""


def places() -> st.SearchStrategy[Path]:
    """Draw an absolute path of any bytes that POSIX allows."""
    return paths().map(lambda path: Path("/", os.fsdecode(path)))


def text_places() -> st.SearchStrategy[Path]:
    """Draw an absolute path that is UTF-8."""
    return paths().map(lambda path: Path("/", path.decode(errors="ignore")))


def is_text(path: Path) -> bool:
    """Tell whether a path is UTF-8."""
    return is_utf8(os.fsencode(path))


def in_shapes(shape: type[BaseModel] = JobShape, table: str = "") -> Iterator[tuple[str, str]]:
    """Yield each key that holds a value, with its table."""
    below = shapes_below(shape)
    for key in keys_of(shape):
        if key in below:
            yield from in_shapes(below[key], key)
        else:
            yield table, key


def in_text(text: str) -> Iterator[tuple[str, str]]:
    """Yield each key of a job file, set or not, with its table."""
    table = ""
    for match in SET.finditer(text):
        table = match["table"] or table
        if match["key"]:
            yield table, match["key"]


def uncommented(text: str, *but: str) -> str:
    """Return a job file with every key set, but for some."""
    return re.sub(rf"^#(?=\[|(?!(?:{'|'.join(but)}) )\w+ = )", "", text, flags=re.MULTILINE)


def test_it_loads_to_the_job_that_was_meant() -> None:
    """Nothing is set but what was given."""
    assert read_job(PLACE, job_text(WANTED).encode()) == MEANT


def test_phase_and_labels_arrive() -> None:
    """What may be given besides is set, and no longer a comment."""
    text = job_text(NewJob("h", WANTED.old, WANTED.new, WANTED.evidence, Phase.LIVE, 'the "old" one', "new#server"))
    job = read_job(PLACE, text.encode())
    assert job.old is not None
    assert (job.phase, job.old.label, job.new.label) == (Phase.LIVE, 'the "old" one', "new#server")
    assert "#label" not in text


@given(old=text_places(), new=st.lists(text_places(), min_size=1, max_size=3, unique=True), evidence=text_places())
@example(old=Path('/a "b" \\ c'), new=[Path("/#x = 1\n[scan]")], evidence=Path("/'''\"\"\"\\"))
@example(old=Path("/\x7f\x01\t"), new=[Path("/\u202e\u200b\U000e0100")], evidence=Path("/\ue000\uffff\U0010ffff"))
@example(old=Path("/\x85\u2028"), new=[Path("/ "), Path("/~")], evidence=Path("/{}"))
def test_any_path_comes_back_as_it_was(old: Path, new: list[Path], evidence: Path) -> None:
    """Quotes, backslashes, line breaks, marks that show nothing: whatever a path holds, the job has that path."""
    assume(not any(Path(normpath(evidence)).is_relative_to(normpath(root)) for root in [old, *new]))
    text = job_text(NewJob("herbarium", old, tuple(new), evidence))
    job = read_job(PLACE, text.encode())
    assert job.old is not None
    assert (job.old.roots, job.new.roots, job.evidence) == ((old,), tuple(new), evidence)
    assert {table for table, _ in in_text(text)} == {table.name for table in TABLES}


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_what_is_written_can_be_shown(text: str) -> None:
    """A file made of hostile names can be looked at in a terminal: nothing in it is invisible or active."""
    assert quoted(text).isprintable()


@given(places().filter(lambda path: not is_text(path)))
def test_a_path_that_is_not_utf8_is_refused(path: Path) -> None:
    """TOML is UTF-8: such a path cannot be written down, and is not written down wrongly."""
    for wanted in (
        NewJob("h", path, WANTED.new, WANTED.evidence),
        NewJob("h", WANTED.old, (Path("/mnt/new"), path), WANTED.evidence),
        NewJob("h", WANTED.old, WANTED.new, path),
    ):
        with pytest.raises(UsageProblem, match=r"is not UTF-8, which a job file has to be"):
            job_text(wanted)


def test_every_key_is_in_the_template_and_in_the_reference() -> None:
    """Whoever adds a key to the shapes says what it means."""
    shapes = list(in_shapes())
    assert len(shapes) == 31
    assert [(key.table, key.name) for key in KEYS] == list(in_text(job_text(WANTED)))
    assert sorted((key.table, key.name) for key in KEYS) == sorted(shapes)
    for table in TABLES:
        for key in keys_in(table):
            assert re.search(rf"^\| `{key.name}` \| {re.escape(key.meaning)} \|", reference(), re.MULTILINE), key
    assert [key for key in KEYS if not key.meaning.endswith(".") or not key.allowed] == []


def test_what_is_required_is_said_to_be() -> None:
    """A key is required in the reference where the shapes require it."""
    shapes: dict[str, type[BaseModel]] = {"": JobShape, **shapes_below(JobShape)}
    required = {
        (table, field.alias or name)
        for table, shape in shapes.items()
        for name, field in shape.model_fields.items()
        if field.is_required() and (field.alias or name) not in shapes_below(shape)
    }
    assert required == {(key.table, key.name) for key in KEYS if key.required or key.table == "map"}


@pytest.mark.parametrize("other", ["urls_env", "urls_file"])
def test_with_every_key_set_it_still_loads(other: str) -> None:
    """Every value in a comment is one that is allowed; of the two places for addresses only one can be named."""
    text = uncommented(job_text(WANTED), other)
    assert re.findall(r"^#\S.*$", text, re.MULTILINE) == re.findall(rf"^#{other}.*$", text, re.MULTILINE)
    job = read_job(PLACE, text.encode())
    assert (bool(job.notify.urls_env), bool(job.notify.urls_file)) == (other == "urls_file", other == "urls_env")
    assert job.maps
    assert job.accepted


def test_each_default_in_a_comment_is_the_default() -> None:
    """A key that is set to what its comment says changes nothing; what has no such default says what holds instead."""
    text = job_text(WANTED)
    tried = 0
    for key in KEYS:
        if key.required or key.without or key.table == "map":
            continue
        tried += 1
        before, _, after = text.partition(f"[{key.table}]\n")
        one = f"{before}[{key.table}]\n" + after.replace(f"#{key.name} = ", f"{key.name} = ", 1)
        assert one != text
        assert f"Default: {key.written}." in re.sub(r"\n# +", " ", text)
        assert read_job(PLACE, one.encode()) == MEANT, key
    assert tried == 13


@pytest.mark.parametrize("every_key", [False, True])
def test_cut_at_any_byte_it_loads_or_is_refused_in_one_line(every_key: bool) -> None:
    """A template of which half was written is one line, never a traceback, and never a job with other roots."""
    text = job_text(WANTED)
    if every_key:  # without the comments, which the other one tries
        text = re.sub(r"^# .*\n", "", uncommented(text, "urls_env"), flags=re.MULTILINE)
    whole = text.encode()
    refused = 0
    for length in range(len(whole)):
        try:
            cut = read_job(PLACE, whole[:length])
        except JobFileError as error:
            refused += 1
            assert str(error).isprintable()
        else:
            assert (cut.old, cut.new, cut.evidence) == (MEANT.old, MEANT.new, MEANT.evidence)
    assert refused > len(whole) / 2


def test_the_reference_names_every_key() -> None:
    """What ``verifier job keys`` prints leaves out none that the template has."""
    named = set(re.findall(r"`(\w+)`", reference()))
    keys = {match["key"] for match in SET.finditer(job_text(WANTED)) if match["key"]}
    assert keys <= named


def test_the_template_is_read_in_a_terminal() -> None:
    """Comments are broken before the hundredth column, and nothing but ASCII is in what is not the user's."""
    lines = job_text(WANTED).splitlines()
    assert max(map(len, lines)) < 100
    assert all(line.isascii() for line in lines)
