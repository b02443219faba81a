"""The job file's shape: which tables and keys there are, and what each may hold."""

from __future__ import annotations

import os
import re
from datetime import datetime, time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, TypeVar

from pydantic import BeforeValidator, model_validator
from pydantic import Field as Key

from verifier.amount import MOST_BYTES, MOST_SECONDS, SECONDS, seconds_of, size_of
from verifier.classes import Field, Phase
from verifier.job.job import LONGEST_NAME, Keeping, Occasion, Scanning
from verifier.job.times import instant_of, time_of_day
from verifier.scan.engine import MAX_READERS
from verifier.toml import Shape, WrongError, one_line, one_of, quoted, texts
from verifier.tree.digests import Algorithm  # noqa: TC001 (pydantic reads the annotations)
from verifier.tree.names import shown, to_text

if TYPE_CHECKING:
    from collections.abc import Callable
    from enum import StrEnum

_LONGEST_AMOUNT: Final = 40
_VARIABLE: Final = re.compile(r"[A-Za-z_][A-Za-z0-9_]*", re.ASCII)
_DURATIONS: Final = f'a text such as "5h" with {", ".join(SECONDS)}'
_SCANNING: Final = Scanning()
_KEEPING: Final = Keeping()
E = TypeVar("E", bound="StrEnum")


def _name(value: object) -> str:
    name = one_line(value)
    if len(name) > LONGEST_NAME:
        raise WrongError(f"{quoted(name)} has {len(name)} characters", f"at most {LONGEST_NAME}")
    return _visible(name)


def _label(value: object) -> str:
    return "" if value == "" else _visible(one_line(value))


def _visible(text: str) -> str:
    if shown(text) != text:
        raise WrongError(f"{quoted(text)} holds a letter that shows nothing", "letters that can be seen")
    return text


def _path(value: object) -> Path:
    if not isinstance(value, str):
        raise WrongError("not a text", "a path in quotes")
    if not value or "\0" in value:
        raise WrongError(f"{quoted(value)} is not a path", "an absolute path, or one relative to this file's folder")
    if value.startswith("~"):
        raise WrongError(f"{quoted(value)}: no shell reads this file", f"the whole path, or ./{shown(value)}")
    return Path(value)


def _paths(value: object) -> tuple[Path, ...]:
    return tuple(_path(text) for text in texts(value))


def _files(value: object) -> tuple[Path, ...]:
    return () if value == [] else _paths(value)


def _prefix(value: object) -> str:
    """Return a folder below a root as manifest text; the root itself is the empty text."""
    if not isinstance(value, str):
        raise WrongError("not a text", "a path below the root, in quotes")
    text = to_text(os.fsencode(value)).removesuffix("/")
    if text not in ("", ".") and ({"", ".", ".."}.intersection(text.split("/")) or "\0" in text):
        raise WrongError(f"{quoted(value)} is not a path below a root", 'such as "scans/2019"; "." is the root')
    return "" if text == "." else text


def _members(kind: type[E]) -> Callable[[object], frozenset[E]]:
    def read(value: object) -> frozenset[E]:
        if not isinstance(value, list) or not all(isinstance(text, str) for text in value):
            raise WrongError("not a list of texts", f"a list with any of {', '.join(kind)}")
        for text in value:
            if text not in list(kind):
                raise WrongError(f"{quoted(text)} is not known", one_of(kind))
        return frozenset(kind(text) for text in value)

    return read


def _instant(value: object) -> datetime:
    if (instant := instant_of(value)) is None:
        allowed = "a time such as 2026-11-21T22:00:00+01:00; without a zone it is local"
        raise WrongError(f"{quoted(value)} is not a time", allowed)
    return instant


def _time_of_day(value: object) -> time:
    if (found := time_of_day(value)) is None:
        raise WrongError(f"{quoted(value)} is not a time of day", '"00:00" to "23:59", local time')
    return found


def _duration(value: object) -> float:
    seconds = seconds_of(value) if isinstance(value, str) and len(value) <= _LONGEST_AMOUNT else None
    if seconds is None:
        raise WrongError(f"{quoted(value)} is not a duration", _DURATIONS)
    if not 0 < seconds <= MOST_SECONDS:
        raise WrongError(f"{quoted(value)} is {'longer than a century' if seconds else 'nothing'}", _DURATIONS)
    return seconds


def _reread(value: object) -> float | None:
    if value == "never":
        return None
    try:
        return _duration(value)
    except WrongError as error:
        raise WrongError(str(error), f'{error.allowed}, or "never"') from error


def _rate(value: object) -> int:
    allowed = 'a text such as "150MB/s" or "100MiB/s"'
    rate = size_of(value.removesuffix("/s")) if isinstance(value, str) and len(value) <= _LONGEST_AMOUNT else None
    if rate is None:
        raise WrongError(f"{quoted(value)} is not a rate", allowed)
    if not 0 < rate <= MOST_BYTES:
        raise WrongError(f"{quoted(value)} is {'more than any disk gives' if rate else 'nothing'}", allowed)
    return rate


def _readers(value: object) -> int | None:
    if value == "auto":
        return None
    if isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= MAX_READERS:
        return value
    raise WrongError(f"{quoted(value)} is not a number of readers", f'1 to {MAX_READERS}, or "auto"')


def _variable(value: object) -> str:
    if not isinstance(value, str) or not _VARIABLE.fullmatch(value):
        # Not repeated: somebody may have written the address itself.
        raise WrongError(
            "not the name of an environment variable", 'letters, digits and _, such as "HERBARIUM_ADDRESSES"'
        )
    return value


_Path = Annotated[Path, BeforeValidator(_path)]
_Label = Annotated[str, BeforeValidator(_label)]
_Prefix = Annotated[str, BeforeValidator(_prefix)]
_Fields = Annotated[frozenset[Field], BeforeValidator(_members(Field))]
_Instant = Annotated[datetime, BeforeValidator(_instant)]
_Duration = Annotated[float, BeforeValidator(_duration)]


class OldShape(Shape):
    """``[old]``."""

    root: _Path
    label: _Label = ""


class NewShape(Shape):
    """``[new]``."""

    roots: Annotated[tuple[Path, ...], BeforeValidator(_paths)]
    label: _Label = ""

    @model_validator(mode="after")
    def _each_once(self) -> NewShape:
        if len(set(self.roots)) < len(self.roots):
            raise WrongError("one root is there twice", "each root once", "roots")
        return self


class MapShape(Shape):
    """``[[map]]``."""

    old: _Prefix
    new: _Prefix

    @model_validator(mode="after")
    def _maps_something(self) -> MapShape:
        if not self.old and not self.new:
            raise WrongError("maps the root to the root", "a folder on one side at least")
        return self


class RulesShape(Shape):
    """``[rules]``."""

    files: Annotated[tuple[Path, ...], BeforeValidator(_files)] = ()
    compare: _Fields = frozenset()
    ignore: _Fields = frozenset()


class GatesShape(Shape):
    """``[gates]``."""

    frozen_at: _Instant | None = None
    live_since: _Instant | None = None


class ScanShape(Shape):
    """``[scan]``."""

    algorithm: Annotated[Algorithm | None, Key(strict=False)] = _SCANNING.algorithm
    readers: Annotated[int | None, BeforeValidator(_readers)] = _SCANNING.readers
    limit_rate: Annotated[int | None, BeforeValidator(_rate)] = _SCANNING.limit_rate
    idle: bool = _SCANNING.idle
    cold: bool = _SCANNING.cold
    cross_mounts: bool = _SCANNING.cross_mounts
    stall_after: _Duration = _SCANNING.stall_after_s
    reread: Annotated[float | None, BeforeValidator(_reread)] = _SCANNING.reread_s


class WindowShape(Shape):
    """``[window]``."""

    until: Annotated[time | None, BeforeValidator(_time_of_day)] = None
    at_most: _Duration | None = None


class EvidenceShape(Shape):
    """``[evidence]``."""

    folder: _Path
    accepted: _Path | None = None


class KeepShape(Shape):
    """``[keep]``."""

    every: _Duration = _KEEPING.every_s
    weekly: _Duration = _KEEPING.weekly_s
    monthly: _Duration = _KEEPING.monthly_s

    @model_validator(mode="after")
    def _longer_and_longer(self) -> KeepShape:
        if self.weekly < self.every:
            raise WrongError("shorter than every", "as long as every, or longer", "weekly")
        if self.monthly < self.weekly:
            raise WrongError("shorter than weekly", "as long as weekly, or longer", "monthly")
        return self


class NotifyShape(Shape):
    """``[notify]``."""

    on: Annotated[frozenset[Occasion], BeforeValidator(_members(Occasion))] = frozenset()
    urls_env: Annotated[str, BeforeValidator(_variable)] = ""
    urls_file: _Path | None = None

    @model_validator(mode="after")
    def _addresses_known(self) -> NotifyShape:
        if self.urls_env and self.urls_file is not None:
            raise WrongError("urls_env and urls_file are both given", "one of them", "urls_file")
        has_addresses = bool(self.urls_env) or self.urls_file is not None
        if self.on and not has_addresses:
            raise WrongError("nobody is named who could be told", "with urls_env or urls_file", "on")
        if has_addresses and "on" not in self.model_fields_set:
            raise WrongError("nobody would ever be told", 'such as on = ["worse", "failure"]', "on")
        return self


class JobShape(Shape):
    """A job file."""

    name: Annotated[str, BeforeValidator(_name)]
    phase: Annotated[Phase, Key(strict=False)]
    old: OldShape | None = None
    new: NewShape
    maps: Annotated[list[MapShape], Key(alias="map", default_factory=list)]
    rules: RulesShape = RulesShape()
    gates: GatesShape = GatesShape()
    scan: ScanShape = ScanShape()
    window: WindowShape = WindowShape()
    evidence: EvidenceShape
    keep: KeepShape = KeepShape()
    notify: NotifyShape = NotifyShape()

    @model_validator(mode="after")
    def _old_side_known(self) -> JobShape:
        if self.old is None and self.phase is not Phase.RETIRED:
            raise WrongError("this table is missing", f'left out only with phase = "{Phase.RETIRED}"', "old")
        return self
