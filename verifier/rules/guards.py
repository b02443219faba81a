"""Whether a rule's guards hold for an entry.

Three answers are possible: a guard holds, does not hold, or cannot be told because a fact is unknown. A rule
applies only where every guard holds, so what is unknown keeps an entry as data.

A partner's template is a path relative to the entry's folder. It may begin with ``../``, and these stand for

* ``{name}``: the entry's whole name,
* ``{stem}``: the name without its last extension,
* ``{rest}``: what the pattern's wildcards stood for: ``._photo.jpg`` under ``._*`` gives ``photo.jpg``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Protocol

from verifier.tree.entry import Kind
from verifier.tree.names import name_of, parent_of, shown

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verifier.rules.pattern import Pattern
    from verifier.rules.rule import Guards


class Candidate(NamedTuple):
    """What a rule may look at: an excerpt of an entry."""

    path: str
    """As manifest text."""
    kind: str
    """A `Kind`, as its text."""
    size: int | None
    """Bytes; None if unknown."""
    head: bytes | None
    """The first 16 bytes, fewer of a shorter file; None where the file was not read."""


class Surroundings(Protocol):
    """The tree around a candidate. Its answers must not change while a matcher works with it."""

    def exists(self, path: str) -> bool | None:
        """Tell whether there is an entry of exactly this path; None if that is not known."""

    def is_empty(self, path: str) -> bool | None:
        """Tell whether a directory has nothing in it; None if it was not listed."""

    def candidate(self, path: str) -> Candidate | None:
        """Return what is known about a path; None if nothing is."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What one guard said."""

    guard: str
    """The guard's key in a rule file."""
    wanted: str
    """What it asks for, as a text for a person."""
    holds: bool | None
    """None if it cannot be told."""
    found: str
    """What is there instead, so that "named like ..., but FOUND" is a sentence."""


def answers(guards: Guards, pattern: Pattern, candidate: Candidate, around: Surroundings) -> Iterator[Answer]:
    """Ask each guard of a rule, cheapest first; nothing is asked of the tree before its answer is needed.

    Args:
        guards: The rule's guards.
        pattern: The one of the rule's patterns that matched.
        candidate: The entry.
        around: The tree around it.
    """
    is_file = candidate.kind == Kind.FILE
    if guards.kind is not None:
        holds = candidate.kind == guards.kind
        yield Answer("kind", _a(guards.kind), holds, _a(candidate.kind))
    if guards.root_only:
        yield Answer("root_only", "directly below the root", "/" not in candidate.path, "not at the root")
    if guards.max_size is not None:
        yield _size(guards.max_size, candidate) if is_file else _not_a_file("max_size", candidate)
    if guards.leading_bytes:
        yield _head(guards.leading_bytes, candidate) if is_file else _not_a_file("leading_bytes", candidate)
    if guards.empty:
        yield _empty(candidate, around)
    if guards.partner:
        yield _partner(guards.partner, pattern, candidate, around)


def size_text(size_bytes: int) -> str:
    """Return a size for a person: decimal units, two digits at least, cut off and not rounded up."""
    for power, unit in ((4, "TB"), (3, "GB"), (2, "MB"), (1, "kB")):
        if size_bytes >= (base := 1000**power):
            tenths = size_bytes * 10 // base
            return f"{tenths // 10} {unit}" if tenths >= 100 or tenths % 10 == 0 else f"{tenths / 10} {unit}"
    return f"{size_bytes} byte{'' if size_bytes == 1 else 's'}"


def partners(templates: tuple[str, ...], pattern: Pattern, path: str) -> list[str]:
    """Return the paths that the templates of a partner stand for; none for a template that leads nowhere."""
    name = name_of(path)
    folder, dot, _ = name.rpartition(".")
    values = {"name": name, "stem": folder if dot and folder else name, "rest": pattern.rest(name)}
    found = []
    for template in templates:
        base = parent_of(path).split("/") if "/" in path else []
        parts = template.split("/")
        while parts[0] == ".." and base:
            base.pop()
            del parts[0]
        parts = [part.format_map(values) for part in parts]
        if not {"", ".", ".."}.intersection(parts):
            found.append("/".join(base + parts))
    return found


def _a(kind: str) -> str:
    return f"an {kind} kind" if kind == Kind.UNKNOWN else f"a {kind.replace('-', ' ')}"


def _not_a_file(guard: str, candidate: Candidate) -> Answer:
    return Answer(guard, "a file", False, _a(candidate.kind))


def _size(largest: int, candidate: Candidate) -> Answer:
    wanted = f"at most {largest:,} bytes"
    if candidate.size is None:
        return Answer("max_size", wanted, None, "of unknown size")
    return Answer("max_size", wanted, candidate.size <= largest, size_text(candidate.size))


def _head(beginnings: tuple[bytes, ...], candidate: Candidate) -> Answer:
    wanted = "begins with " + " or ".join(b.hex() for b in beginnings)
    if candidate.head is None:
        return Answer("leading_bytes", wanted, None, "its first bytes were not read")
    if not candidate.head:
        return Answer("leading_bytes", wanted, False, "there is nothing in it")
    return Answer(
        "leading_bytes",
        wanted,
        candidate.head.startswith(beginnings),
        f"it begins with {candidate.head[:8].hex()}",
    )


def _empty(candidate: Candidate, around: Surroundings) -> Answer:
    if candidate.kind != Kind.DIRECTORY:
        return Answer("empty", "an empty directory", False, _a(candidate.kind))
    holds = around.is_empty(candidate.path)
    found = "not known to be empty" if holds is None else "empty" if holds else "not empty"
    return Answer("empty", "an empty directory", holds, found)


def _partner(templates: tuple[str, ...], pattern: Pattern, candidate: Candidate, around: Surroundings) -> Answer:
    paths = partners(templates, pattern, candidate.path)
    if not paths:
        return Answer("partner", "a partner", False, "its name leaves no partner's name")
    wanted = " or ".join(shown(path) for path in paths)
    known = [around.exists(path) for path in paths]
    if any(known):
        return Answer("partner", f"{wanted} exists", True, "its partner is there")
    if None in known:
        return Answer("partner", f"{wanted} exists", None, f"it is not known whether there is {wanted}")
    return Answer("partner", f"{wanted} exists", False, f"there is no {wanted}")
