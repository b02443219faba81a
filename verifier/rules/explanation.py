"""Why a rule would claim a path, or would not, without a tree at hand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from verifier.rules.guards import Answer, Candidate, answers
from verifier.rules.rule import Action
from verifier.tree.entry import Kind

if TYPE_CHECKING:
    from verifier.rules.matcher import Claim, Matcher
    from verifier.rules.rule import Rule


@dataclass(frozen=True, slots=True)
class Considered:
    """A rule whose pattern matches the path or a folder above it."""

    rule: Rule
    via: str
    """The path that its pattern matches."""
    pattern: str
    """The one of its patterns that does."""
    guards: tuple[Answer, ...]
    """What each of its guards says; a guard whose answer is unknown counts as not holding."""

    @property
    def holds(self) -> bool | None:
        """Whether all guards hold; None where that hangs on an unknown fact."""
        said = [answer.holds for answer in self.guards]
        return False if False in said else None if None in said else True


@dataclass(frozen=True, slots=True)
class Explanation:
    """What the rules say about one path."""

    candidate: Candidate
    considered: tuple[Considered, ...]
    """In the order in which they are asked: topmost folder first, within a level the last rule first."""
    claim: Claim | None
    """The outcome, with unknown facts counted as guards that do not hold."""

    @property
    def certain(self) -> bool:
        """Whether the outcome stays the same whatever the unknown facts are."""
        for one in self.considered:
            if one.via != self.candidate.path and not one.rule.with_contents:
                continue
            if one.holds is not False:
                return one.holds is True
        return True

    @property
    def outcome(self) -> str:
        """One line for a person, without a full stop."""
        if self.claim is None:
            return "data: no rule claims it"
        if not self.claim.holds:
            return f"data: {self.claim.why}"
        return f"{_OUTCOMES[self.claim.rule.action]}: {self.claim.why}"


_OUTCOMES = {
    Action.SET_ASIDE: "set aside, counted and listed",
    Action.KEEP: "kept as data",
    Action.DO_NOT_DESCEND: "listed, not entered",
    Action.REPORT: "reported",
}


class _NoTree:
    """Surroundings of which nothing is known."""

    def exists(self, _path: str) -> None:
        return None

    def is_empty(self, _path: str) -> None:
        return None

    def candidate(self, _path: str) -> None:
        return None


def explain(
    matcher: Matcher,
    path: str,
    *,
    kind: Kind = Kind.FILE,
    size: int | None = None,
    head: bytes | None = None,
) -> Explanation:
    """Say which rules match a path or a folder above it, what their guards say, and what comes of it.

    Args:
        matcher: The rules.
        path: Relative to the root, as manifest text.
        kind: What the path is taken for; everything above it is a directory.
        size: In bytes, if known.
        head: The first bytes, if known.
    """
    candidate = Candidate(path, kind, size, head)
    nowhere = _NoTree()
    considered = tuple(
        Considered(
            match.rule,
            level,
            match.pattern.text,
            tuple(answers(match.rule.guards, match.pattern, at, nowhere)),
        )
        for level, matches in matcher.levels(path, kind)
        for at in [candidate if level == path else Candidate(level, Kind.DIRECTORY, None, None)]
        for match in matches
    )
    return Explanation(candidate, considered, matcher.claim(candidate, nowhere))
