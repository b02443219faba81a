"""What a rule is, once it was read and validated."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from blake3 import blake3

if TYPE_CHECKING:
    from collections.abc import Mapping

    from verifier.classes import Class, Field, Severity
    from verifier.tree.entry import Kind


class Action(StrEnum):
    """What a rule does with what it claims."""

    SET_ASIDE = "set-aside"
    KEEP = "keep"
    DO_NOT_DESCEND = "do-not-descend"
    REPORT = "report"


@dataclass(frozen=True, slots=True)
class Guards:
    """What has to be true besides the name. A rule with a guard that does not hold does not apply."""

    kind: Kind | None = None
    """The only kind that is claimed."""
    max_size: int | None = None
    """Largest size of a file, in bytes, this size included."""
    leading_bytes: tuple[bytes, ...] = ()
    """A file begins with one of these; at most 16 bytes each, which is what a manifest keeps."""
    root_only: bool = False
    """Only directly below the root of the tree."""
    partner: tuple[str, ...] = ()
    """Templates of paths relative to the entry's folder; one of them exists (see `verifier.rules.guards`)."""
    empty: bool = False
    """Only a directory that was listed and has nothing in it."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule."""

    name: str
    """Unique within a set."""
    patterns: tuple[str, ...]
    """gitignore patterns; one of them matches (see `verifier.rules.pattern`)."""
    what: str
    """What such a thing is: a noun phrase in the singular without an article."""
    maker: str
    """Who makes it."""
    action: Action
    source: str
    """Where the fact is from."""
    ignore_case: bool = False
    decision: bool = False
    """Bytes that are set aside by it on the old side need a named decision at sign-off."""
    with_contents: bool = True
    """A claim on a directory covers everything in it; otherwise its content is judged on its own."""
    guards: Guards = Guards()

    def told(self) -> dict[str, object]:
        """Return what a report says about the rule."""
        return {"what": self.what, "maker": self.maker, "action": self.action.value, "decision": self.decision}


@dataclass(frozen=True, slots=True)
class Policy:
    """Severities that differ from the defaults."""

    classes: Mapping[Class, Severity] = field(default_factory=dict)
    """By class."""
    fields: Mapping[Field, Severity] = field(default_factory=dict)
    """By metadata field, within `metadata-only`."""

    def __bool__(self) -> bool:
        return bool(self.classes or self.fields)


@dataclass(frozen=True, slots=True)
class Tolerance:
    """What counts as no difference."""

    mtime_ns: int = 0
    """Largest difference of two mtimes, nanoseconds, where that is more than the coarser clock's step."""
    zero_run_bytes: int = 512
    """Shortest run of zero bytes that tells of a hole where data was. One sector: one flipped bit can make a single
    zero byte. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class RuleSet:
    """The rules of a run, in order: where two match, the later one is asked first."""

    rules: tuple[Rule, ...] = ()
    policy: Policy = Policy()
    files: tuple[str, ...] = ()
    """Labels of the files that were read, in order; the rules that ship are ``standard``."""
    tolerance: Tolerance = Tolerance()
    digest: str = field(init=False)
    """BLAKE3 over the content of all rules, the policy and the tolerance, as hex; not over the files' names."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "digest", _digest(self.rules, self.policy, self.tolerance))


def _digest(rules: tuple[Rule, ...], policy: Policy, tolerance: Tolerance) -> str:
    content: dict[str, object] = {
        "rules": [asdict(rule) for rule in rules],
        "policy": {"class": dict(policy.classes), "field": dict(policy.fields)},
    }
    if tolerance != Tolerance():
        content["tolerance"] = asdict(tolerance)
    canonical = json.dumps(content, sort_keys=True, separators=(",", ":"), default=bytes.hex)
    return blake3(canonical.encode()).hexdigest()
