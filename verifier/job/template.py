"""A job file to start from: every key is in it, with what it means."""

from __future__ import annotations

import os
import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from verifier.classes import Phase
from verifier.errors import UsageProblem
from verifier.job.keys import TABLES, Key, Table, keys_in
from verifier.manifest.database import named
from verifier.tree.names import is_utf8, shown, to_text

if TYPE_CHECKING:
    from pathlib import Path

WIDTH: Final = 96
_ESCAPES: Final = {'"': '\\"', "\\": "\\\\"}
_HEAD: Final = """\
# A job for `verifier nightly`. TOML (toml.io): text stands in quotes, and # begins a comment.
# A key behind # is not set; take the # away to set it. Then: verifier job check FILE
"""


@dataclass(frozen=True, slots=True)
class NewJob:
    """What a new job file is to say."""

    name: str
    old: Path
    """Absolute, as all paths here."""
    new: tuple[Path, ...]
    evidence: Path
    phase: Phase = Phase.COPYING
    old_label: str = ""
    new_label: str = ""


def job_text(wanted: NewJob) -> str:
    """Return a job file with every key: those that are known set, all others as comments with their defaults.

    Raises:
        UsageProblem: If a path or a text cannot stand in TOML, which is UTF-8.
    """
    values = {
        ("", "name"): quoted(wanted.name),
        ("", "phase"): quoted(wanted.phase.value),
        ("old", "root"): _path(wanted.old),
        ("new", "roots"): f"[{', '.join(_path(root) for root in wanted.new)}]",
        ("evidence", "folder"): _path(wanted.evidence),
    }
    for table, label in (("old", wanted.old_label), ("new", wanted.new_label)):
        if label:
            values[table, "label"] = quoted(label)
    return _HEAD + "".join(_table(table, values) for table in TABLES)


def quoted(text: str, said: str = "") -> str:
    """Return a text as TOML's basic string (TOML 1.0.0, String); what cannot be seen is escaped.

    Args:
        text: The text, as the system gave it.
        said: What it is called in a message; by itself if empty.

    Raises:
        UsageProblem: If it holds bytes that are not UTF-8.
    """
    if not is_utf8(os.fsencode(text)):
        raise UsageProblem(
            f"{said or shown(to_text(os.fsencode(text)))} is not UTF-8, which a job file has to be",
            "give it in UTF-8; a folder can be reached by another name, such as a link",
        )
    return '"' + "".join(_ESCAPES.get(c) or (c if shown(c) == c else _escape(c)) for c in text) + '"'


def _escape(character: str) -> str:
    number = ord(character)
    return f"\\u{number:04x}" if number < 0x10000 else f"\\U{number:08x}"


def _path(path: Path) -> str:
    return quoted(str(path), named(path))


def _table(table: Table, values: dict[tuple[str, str], str]) -> str:
    lines = [""]
    if table.name:
        lines += ["", *_comment(table.meaning)]
        lines.append(f"#[[{table.name}]]" if table.repeatable else f"[{table.name}]")
    for key in keys_in(table):
        value = values.get((key.table, key.name))
        lines += ["", *_comment(key.meaning), *_comment(_bounds(key), "    ")]
        lines.append(f"#{key.name} = {key.written}" if value is None else f"{key.name} = {value}")
    return "\n".join(lines[1:]) + "\n"


def _bounds(key: Key) -> str:
    if key.required or key.table == "map":
        return f"Allowed: {key.allowed}."
    return f"Allowed: {key.allowed}. Default: {key.without or key.written}."


def _comment(text: str, indent: str = "") -> list[str]:
    before = f"# {indent}"
    return textwrap.wrap(
        text, WIDTH, initial_indent=before, subsequent_indent=before, break_long_words=False, break_on_hyphens=False
    )
