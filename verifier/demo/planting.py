"""The table of what is planted, ``planting.toml``: its shape, and one clear line for each mistake in it."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, Final, TypeVar

from verifier.classes import Cause, Class, Side
from verifier.errors import CannotRun
from verifier.tree.names import parent_of, parts_of, shown

if TYPE_CHECKING:
    from pathlib import Path

REINSTALL: Final = "restore sample_trees, or install the package again"
"""What to do about sample trees that are not as they were shipped."""

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_KIND_NAMES: Final[dict[type, str]] = {
    bool: "truth value",
    datetime: "time",
    dict: "table",
    int: "number",
    list: "list",
    str: "text",
}

T = TypeVar("T")
Choice = TypeVar("Choice", bound=StrEnum)


@dataclass(frozen=True, slots=True)
class Change:
    """What is done to one place, in the order of the fields; None and False do nothing."""

    folder: dict[str, str] | None = None
    """Make a folder with these text files in it, path below the folder to text."""
    link: str | None = None
    """Make a symbolic link to this target, manifest text."""
    copy_of: str | None = None
    """Make a file with the content of that file of the same side."""
    hex: bytes | None = None
    """Make a file that begins with these bytes."""
    text: str | None = None
    """Make a file of this text, after `hex` if that is given."""
    fill_to: int | None = None
    """Repeat the text, or add zero bytes where there is none, up to this size in bytes."""
    reserve: int | None = None
    """Size in bytes up to which zero bytes follow, as a hole that takes no storage where there are such."""
    replace: tuple[str, str] | None = None
    """Replace a text by another, wherever it occurs."""
    append: str | None = None
    """Add this text at the end."""
    truncate: int | None = None
    """Keep this many bytes."""
    zero: tuple[int, int] | None = None
    """Offset and length, in bytes, of what becomes zero."""
    flip_bit: int | None = None
    """Number of the bit to flip, from the first byte's lowest on."""
    move_to: str | None = None
    """Move it there, with everything in it."""
    remove: bool = False
    """Remove it, with everything in it."""
    mode: int | None = None
    """Permission bits."""
    mtime_ns: int | None = None
    """Time of last change, nanoseconds since 1970-01-01 UTC."""
    shift_s: int | None = None
    """Seconds to add to the time of every file in it."""


@dataclass(frozen=True, slots=True)
class Plant:
    """One planted difference, or one oddity that is the same on both sides and must not be reported."""

    path: str
    """Where it begins, manifest text."""
    cls: Class
    """What a check must call it."""
    cause: Cause | None
    """For changed content; None for every other class."""
    rule: str | None
    """The rule that must claim it, for clutter; None for every other class."""
    story: str
    """What happened, in words."""
    changes: dict[Side, tuple[Change, ...]]
    """What is done on each side."""
    if_readable: Class | None
    """The class instead of `cls` where whoever runs the check may read everything."""
    restless: Side | None
    """The side on which somebody has to be at work in it for its class to show."""


@dataclass(frozen=True, slots=True)
class Planting:
    """The whole table."""

    frozen_at: datetime
    """When the old side was to stop changing."""
    live_since: datetime
    """When people began to work on the new side."""
    times: dict[str, int]
    """Folder to time of last change of what is in it (nanoseconds); the empty path for everything else."""
    plants: tuple[Plant, ...]
    """In the order in which they are planted."""

    def time_of(self, path: str) -> int:
        """Return the time of last change of a path that no plant gives another one, in nanoseconds."""
        while path and path not in self.times:
            path = parent_of(path)
        return self.times[path]


def load_planting(path: Path) -> Planting:
    """Read and validate ``planting.toml``.

    Raises:
        CannotRun: If it cannot be read or does not validate; the line names the plant and the key.
    """
    try:
        keys = _Keys(path.name, tomllib.loads(path.read_text(encoding="utf-8")))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise CannotRun(f"{path.name} cannot be read: {error}", REINSTALL) from error
    frozen_at, live_since = keys.instant("frozen_at"), keys.instant("live_since")
    per_folder = keys.below("times", keys.need("times", dict))
    times = {folder: _ns(per_folder.instant(folder)) for folder in list(per_folder.table)}
    if "" not in times:
        raise per_folder.bad('there is no time for everything else, key ""')
    tables = keys.need("plants", list)
    keys.finish()
    plants = tuple(_plant(f"{path.name}: plant {number}", table) for number, table in enumerate(tables, 1))
    seen: set[str] = set()
    for plant in plants:
        if plant.path in seen:
            raise keys.bad(f"{shown(plant.path)} is planted twice")
        seen.add(plant.path)
    return Planting(frozen_at, live_since, times, plants)


@dataclass(slots=True)
class _Keys:
    """A table whose keys are taken one by one, so that a key that nobody knows is left over and found."""

    label: str
    table: dict[str, object]
    known: list[str] = field(default_factory=list)

    def take(self, key: str, kind: type[T]) -> T | None:
        self.known.append(key)
        value = self.table.pop(key, None)
        if value is None:
            return None
        # A truth value is an int to Python, never to the reader of a table.
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            raise self.bad(f"{key} is {value!r}, not a {_KIND_NAMES[kind]}")
        return value

    def need(self, key: str, kind: type[T]) -> T:
        value = self.take(key, kind)
        if value is None:
            raise self.bad(f"{key} is not given")
        return value

    def choice(self, key: str, kind: type[Choice]) -> Choice | None:
        text = self.take(key, str)
        try:
            return None if text is None else kind(text)
        except ValueError as error:
            raise self.bad(f"{key} is {text!r}, which is none of {', '.join(kind)}") from error

    def pair(self, key: str, kind: type[T]) -> tuple[T, T] | None:
        value = self.take(key, list)
        if value is None:
            return None
        if len(value) != 2 or any(type(item) is not kind for item in value):
            raise self.bad(f"{key} is {value!r}, not two of {_KIND_NAMES[kind]}")
        return value[0], value[1]

    def size(self, key: str) -> int | None:
        value = self.take(key, int)
        if value is not None and value < 0:
            raise self.bad(f"{key} is {value}, which is below zero")
        return value

    def instant(self, key: str) -> datetime:
        value = self.need(key, datetime)
        if value.tzinfo is None:
            raise self.bad(f"{key} has no time zone")
        return value

    def place(self, key: str) -> str:
        text = self.need(key, str)
        try:
            is_below_the_root = bool(parts_of(text))
        except ValueError:
            is_below_the_root = False
        if not is_below_the_root:
            raise self.bad(f"{key} is {text!r}, which is no path below the root")
        return text

    def below(self, key: str, table: dict[str, object]) -> _Keys:
        return _Keys(f"{self.label}: {key}", table)

    def bad(self, why: str) -> CannotRun:
        return CannotRun(f"{self.label}: {why}", REINSTALL)

    def finish(self) -> None:
        if self.table:
            raise self.bad(f"unknown key {next(iter(self.table))!r}; known are {', '.join(self.known)}")


def _ns(instant: datetime) -> int:
    return (instant - _EPOCH) // timedelta(microseconds=1) * 1000


def _plant(label: str, table: object) -> Plant:
    if not isinstance(table, dict):
        raise CannotRun(f"{label}: it is not a table", REINSTALL)
    keys = _Keys(label, table)
    path = keys.place("path")
    keys.label = f"{label} ({shown(path)})"
    cls = keys.choice("class", Class)
    if cls is None:
        raise keys.bad("class is not given")
    both, old, new = (_change(keys, name) for name in ("both", *Side))
    plant = Plant(
        path,
        cls,
        keys.choice("cause", Cause),
        keys.take("rule", str),
        keys.need("story", str),
        {side: tuple(c for c in (both, own) if c) for side, own in ((Side.OLD, old), (Side.NEW, new))},
        keys.choice("if_readable", Class),
        keys.choice("restless", Side),
    )
    keys.finish()
    for key, value, only_for in (
        ("cause", plant.cause, Class.CONTENT_CHANGED),
        ("rule", plant.rule, Class.CLUTTER),
        ("if_readable", plant.if_readable, Class.UNREADABLE),
        ("restless", plant.restless, Class.UNSETTLED),
    ):
        if (value is None) is (cls is only_for):
            raise keys.bad(f"{key} has to go with class {only_for}, and with no other")
    return plant


def _change(keys: _Keys, name: str) -> Change | None:
    table = keys.take(name, dict)
    if table is None:
        return None
    # Asked first: taking a key removes it.
    has_model, has_target, has_time = (key in table for key in ("copy_of", "move_to", "mtime"))
    below = keys.below(name, table)
    change = Change(
        _folder(below),
        below.take("link", str),
        below.place("copy_of") if has_model else None,
        _bytes(below),
        below.take("text", str),
        below.size("fill_to"),
        below.size("reserve"),
        below.pair("replace", str),
        below.take("append", str),
        below.size("truncate"),
        below.pair("zero", int),
        below.size("flip_bit"),
        below.place("move_to") if has_target else None,
        bool(below.take("remove", bool)),
        below.size("mode"),
        _ns(below.instant("mtime")) if has_time else None,
        below.take("shift_s", int),
    )
    below.finish()
    return change


def _folder(keys: _Keys) -> dict[str, str] | None:
    files = keys.take("folder", dict)
    if files is not None and not all(isinstance(text, str) for text in files.values()):
        raise keys.bad("folder is not a table of file to text; a name with a dot in it has to be quoted")
    return files


def _bytes(keys: _Keys) -> bytes | None:
    digits = keys.take("hex", str)
    try:
        return None if digits is None else bytes.fromhex(digits)
    except ValueError as error:
        raise keys.bad(f"hex is {digits!r}, which is not hexadecimal") from error
