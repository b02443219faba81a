"""A record as text, in one form only, so that a digest over the text is a digest over the record.

JSON (RFC 8259) with sorted keys and no white space. What is as `verifier.ledger.record` has it by default is left out.
So a field that a later version adds changes no text that was written before, and an entry keeps its digest; no default
may therefore ever be changed. A key or a word of a closed set that this version does not know was written by a later
one, and such a record is refused, because what it says might turn the rest around.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from datetime import datetime
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final, TypeVar

from blake3 import blake3

from verifier.classes import Phase, Side, VerdictKind
from verifier.ledger.places import RUN_NAME
from verifier.ledger.record import News, Outcome, PhaseRecord, RunRecord, SideRecord
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Callable

    Reader = Callable[[Any], object]

_T = TypeVar("_T")
RUN: Final = "run"
PHASE: Final = "phase"
FIRST: Final = "0" * 64
"""What stands for the digest before the first entry's."""
_LONE: Final = re.compile("[\ud800-\udfff]+")
_MOST: Final = 2**63 - 1


class LaterWord(ValueError):
    """A record holds a word that only a later version can have written."""


def kind_of(record: RunRecord | PhaseRecord) -> str:
    """Return what kind of record it is, in a word."""
    return RUN if isinstance(record, RunRecord) else PHASE


def digest_of(number: int, previous: str, text: str) -> str:
    """Return an entry's digest, hex: BLAKE3 over a line each for format, number and previous digest, then the text."""
    return blake3(f"verifier ledger 1\n{number}\n{previous}\n{text}".encode()).hexdigest()


def plain(record: RunRecord | PhaseRecord) -> dict[str, Any]:
    """Return all of a record as JSON has it, for other programs."""
    return {"kind": kind_of(record), **_plain(record, whole=True)}


def to_json(record: RunRecord | PhaseRecord) -> str:
    r"""Return a record's text.

    Half of a surrogate pair, which no UTF-8 holds, becomes the ``\xNN`` of its bytes, as where a name is shown.

    Raises:
        ValueError: If it is a record that could not be read again.
    """
    text = _ENCODER.encode({"kind": kind_of(record), **_plain(record, whole=False)})
    from_json(text)
    return text


def from_json(text: str) -> RunRecord | PhaseRecord:
    """Return the record that a text stands for.

    Raises:
        LaterWord: If a later version wrote it.
        ValueError: If it is anything but what `to_json` writes.
    """
    try:
        given = json.loads(text)
    except RecursionError as error:
        raise ValueError("it is no record") from error
    if not isinstance(given, dict):
        raise ValueError("it is no record")
    if _ENCODER.encode(given) != text:  # other spaces, another order, a key twice
        raise ValueError("it is not in the form in which it is written")
    kind = given.pop("kind", None)
    if kind not in (RUN, PHASE):
        raise LaterWord(f"there is a kind of entry called {_quoted(kind)}")
    return _build(RunRecord, _RUN, given) if kind == RUN else _build(PhaseRecord, _PHASE, given)


def _plain(value: Any, *, whole: bool) -> Any:
    if isinstance(value, str):
        return _LONE.sub(lambda lone: shown(lone[0]), value.value if isinstance(value, StrEnum) else value)
    if isinstance(value, tuple):
        return [_plain(one, whole=whole) for one in value]
    if isinstance(value, Mapping):
        return {_plain(key, whole=whole): _plain(one, whole=whole) for key, one in value.items()}
    if not is_dataclass(value):
        return value
    told = {field.name: getattr(value, field.name) for field in fields(value)}
    if not whole:
        defaults = _DEFAULTS[type(value)]
        told = {name: one for name, one in told.items() if name not in defaults or one != defaults[name]}
    return {name: _plain(one, whole=whole) for name, one in told.items()}


def _defaults(cls: type[Any]) -> dict[str, object]:
    """Return what its fields are by default, where they have one."""
    values = {field.name: field.default for field in fields(cls) if field.default is not MISSING}
    made = {field.name: field.default_factory() for field in fields(cls) if field.default_factory is not MISSING}
    return values | made


_ENCODER: Final = json.JSONEncoder(ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":"))
_DEFAULTS: Final[dict[type, dict[str, object]]] = {
    cls: _defaults(cls) for cls in (RunRecord, PhaseRecord, SideRecord, News)
}


# ---- Reading


def _build(cls: type[_T], readers: Mapping[str, Reader], given: object) -> _T:
    if not isinstance(given, dict):
        raise ValueError("a part of it is missing")
    if unknown := sorted(given.keys() - readers.keys()):
        raise LaterWord(f"there is something called {_quoted(unknown[0])}")
    told = {name: readers[name](value) for name, value in given.items()}
    defaults = _DEFAULTS[cls]
    if any(name in defaults and value == defaults[name] for name, value in told.items()):
        raise ValueError("it says what is left out")
    try:
        return cls(**told)
    except TypeError as error:
        raise ValueError("a part of it is missing") from error


def _quoted(word: object) -> str:
    return repr(shown(str(word))[:40])


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise ValueError("a text is none")
    return value


def _texts(value: object) -> tuple[str, ...]:
    return tuple(map(_text, _list(value)))


def _list(value: object) -> list[object]:
    if not isinstance(value, list):
        raise ValueError("a list is none")
    return value


def _count(value: object) -> int:
    if type(value) is not int or not 0 <= value <= _MOST:
        raise ValueError("a number is none")
    return value


def _code(value: object) -> int:
    if _count(value) > 255:
        raise ValueError("an exit code is none")
    return _count(value)


def _seconds(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise ValueError("a number of seconds is none")
    return value


def _instant(value: object) -> str:
    instant = datetime.fromisoformat(_text(value))
    if instant.tzinfo is None or not 1900 <= instant.year < 9999:  # so that it can be told in any zone
        raise ValueError("a time is none")
    return _text(value)


def _instant_or_none(value: object) -> str:
    return _instant(value) if value else _text(value)


def _name(value: object) -> str:
    if not RUN_NAME.fullmatch(_text(value)):
        raise ValueError("a run's name is none")
    return _text(value)


def _names(value: object) -> tuple[str, ...]:
    return tuple(map(_name, _list(value)))


def _word(words: type[StrEnum]) -> Reader:
    """Return what reads a word of a closed set."""

    def read(value: object) -> StrEnum:
        if (word := _text(value)) not in set(words):
            raise LaterWord(f"there is a word {_quoted(word)}")
        return words(word)

    return read


def _or_none(read: Reader) -> Reader:
    return lambda value: None if value is None else read(value)


def _table(read: Reader, read_key: Reader = _text) -> Reader:
    """Return what reads one thing by each name."""

    def read_all(value: object) -> dict[object, object]:
        if not isinstance(value, dict):
            raise ValueError("a table is none")
        return {read_key(key): read(one) for key, one in value.items()}

    return read_all


def _tally(value: object) -> tuple[int, ...]:
    counts = tuple(map(_count, _list(value)))
    if len(counts) != 3:
        raise ValueError("a count is none")
    return counts


_SIDE: Final[dict[str, Reader]] = {
    "label": _text,
    "root": _text,
    "entries": _count,
    "files": _count,
    "bytes": _count,
    "read_files": _count,
    "read_bytes": _count,
    "seconds": _seconds,
    "oldest_read": _instant_or_none,
    "fresh_files": _count,
    "fresh_bytes": _count,
    "problems": _count,
    "fingerprint": _text,
}
_NEWS: Final[dict[str, Reader]] = {
    "new": _count,
    "worse": _count,
    "repaired": _count,
    "known": _count,
    "accepted": _count,
    "unusual": _text,
    "headline": _text,
    "lines": _texts,
}
_RUN: Final[dict[str, Reader]] = {
    "run": _name,
    "started": _instant,
    "finished": _instant_or_none,
    "phase": _word(Phase),
    "outcome": _word(Outcome),
    "exit_code": _code,
    "verdict": _or_none(_word(VerdictKind)),
    "reasons": _texts,
    "classes": _table(_tally),
    "causes": _table(_count),
    "sides": _table(lambda value: _build(SideRecord, _SIDE, value), _word(Side)),
    "news": lambda value: _build(News, _NEWS, value),
    "warnings": _texts,
    "evidence": _text,
    "findings_digest": _text,
    "report_id": _text,
    "pruned": _names,
    "tool": _text,
}
_PHASE: Final[dict[str, Reader]] = {
    "at": _instant,
    "before": _or_none(_word(Phase)),
    "phase": _word(Phase),
    "by": _text,
    "baseline": _text,
    "despite": _text,
}
