"""Which rule, if any, claims an entry.

From the topmost folder down to the entry itself, the rules that match the path at that level are asked, the
last in order first; the first whose guards all hold claims it, and a folder's claim covers what is in it.
So a kept folder is data with everything in it, whatever the names in it, and a set-aside folder is set
aside with its content.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

from verifier.rules.guards import Candidate, Surroundings, answers
from verifier.rules.index import Match, NameIndex, PathIndex
from verifier.rules.pattern import compile_pattern
from verifier.rules.rule import Action, Rule, RuleSet
from verifier.tree.entry import Kind

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Candidate", "Claim", "Match", "Matcher", "Surroundings"]

MEMO_CHARACTERS: Final = 2**20
"""Length of the folders' paths whose outcome is remembered for each tree, twice at most: paths can be long."""
_TREES: Final = 4


@dataclass(frozen=True, slots=True)
class Claim:
    """What a rule says about an entry."""

    rule: Rule
    via: str
    """The path that the rule's pattern matched: the entry's own, or that of a folder above it."""
    holds: bool
    """All guards hold. If not, the entry is data, and the claim only carries the reason."""
    why: str
    """One sentence without a full stop; its variable parts are safe to show."""

    @property
    def sets_aside(self) -> bool:
        """Whether what is claimed does not count as data."""
        return self.holds and self.rule.action is not Action.KEEP


class _Folder(NamedTuple):
    """What is known about a folder for what is in it."""

    claim: Claim | None
    """The claim that covers its content."""
    paths: PathIndex


class _Memo:
    """Outcomes of folders, bounded: two generations of a dictionary, of which the older is dropped whole."""

    __slots__ = ("_limit", "_old", "_used", "_young")

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._used = 0
        self._young: dict[str, _Folder] = {}
        self._old: dict[str, _Folder] = {}

    def get(self, path: str) -> _Folder | None:
        found = self._young.get(path)
        if found is None and (found := self._old.get(path)) is not None:
            self.put(path, found)
        return found

    def put(self, path: str, folder: _Folder) -> None:
        if self._used >= self._limit:
            self._old, self._young, self._used = self._young, {}, 0
        self._young[path] = folder
        self._used += len(path) + 64


class Matcher:
    """The rules of a set, ready to be asked.

    Args:
        rules: The rules.
        memo_characters: How much of folders' outcomes to remember; it changes speed, never an answer.

    Raises:
        BadPatternError: If a rule was built by hand with a pattern that cannot be meant.
    """

    def __init__(self, rules: RuleSet, *, memo_characters: int = MEMO_CHARACTERS) -> None:
        self.rules = rules
        self._limit = memo_characters
        self._memos: dict[int, tuple[Surroundings, _Memo]] = {}
        self._names = NameIndex()
        self._barred = NameIndex()
        paths = []
        for order, rule in enumerate(rules.rules):
            for text in rule.patterns:
                match = Match(order, rule, compile_pattern(text, ignore_case=rule.ignore_case))
                if not match.pattern.by_name:
                    paths.append(match)
                    continue
                self._names.add(match)
                if rule.action is Action.DO_NOT_DESCEND:
                    self._barred.add(match)
        self._root = _Folder(None, PathIndex.at_root(paths))
        self._barred_paths = any(match.rule.action is Action.DO_NOT_DESCEND for match in paths)
        self._last: tuple[Surroundings | None, str, _Folder] = (None, "", self._root)

    def claim(self, candidate: Candidate, around: Surroundings) -> Claim | None:
        """Return what the rules say about an entry.

        Args:
            candidate: The entry.
            around: The tree around it. It is kept, with what was learnt about its folders.

        Returns:
            The claim that holds; or one that does not, with the reason, where a rule matches the entry
            itself and its guards do not hold; or None. A rule that keeps has nothing to say where its
            guards do not hold.
        """
        parent, _, name = candidate.path.rpartition("/")
        tree, last, folder = self._last
        if parent != last or tree is not around:
            folder = self._outcome(parent, around)
            self._last = (around, parent, folder)
        if folder.claim is not None:
            return folder.claim
        if not folder.paths.ends and not self._names.may_match(name):
            return None
        return self._decide(candidate, name, folder, around)

    def descend(self, path: str) -> Rule | None:
        """Return the rule that says not to enter a directory, as far as its path alone tells; or None.

        A later rule for the same path, or a rule that keeps a folder above it, takes precedence as in
        `claim`, if its guards need nothing but the path. What is in a set-aside folder is judged by itself.
        """
        if not self._barred_paths and not self._barred.may_match(path.rpartition("/")[2]):
            return None
        rule: Rule | None = None
        for level, matches in self.levels(path, Kind.DIRECTORY):
            if rule is not None and rule.action is Action.KEEP and rule.with_contents:
                return None
            rule = _by_path(level, matches)
        return rule if rule is not None and rule.action is Action.DO_NOT_DESCEND else None

    def levels(self, path: str, kind: str) -> Iterator[tuple[str, list[Match]]]:
        """Yield each folder above a path, the topmost first, and the path itself, with what matches there.

        Args:
            path: The path.
            kind: Its kind; everything above it is a directory.

        Yields:
            The path of the level and the rules whose pattern matches exactly it, guards aside, in the order in
            which they are asked.
        """
        folder = self._root
        at = -1
        while at < len(path):
            begin = at + 1
            at = path.find("/", begin)
            at = at if at >= 0 else len(path)
            name = path[begin:at]
            yield path[:at], self._matches(name, folder, kind if at == len(path) else Kind.DIRECTORY)
            folder = _Folder(None, folder.paths.below(name))

    def _matches(self, name: str, folder: _Folder, kind: str) -> list[Match]:
        """Return what matches a name in a folder, the last rule first."""
        found = self._names.find(name)
        found += [match for match in folder.paths.ends if match.pattern.matches_name(name)]
        if kind != Kind.DIRECTORY:
            found = [match for match in found if not match.pattern.only_directories]
        found.sort(key=_order, reverse=True)
        return found

    def _decide(self, candidate: Candidate, name: str, folder: _Folder, around: Surroundings) -> Claim | None:
        failed: Claim | None = None
        for _, rule, pattern in self._matches(name, folder, candidate.kind):
            objection = next((a for a in answers(rule.guards, pattern, candidate, around) if not a.holds), None)
            if objection is None:
                return Claim(rule, candidate.path, True, f"{rule.what} ({rule.maker})")
            if failed is None and rule.action is not Action.KEEP:
                why = f"named like {_article(rule.what)} {rule.what}, but {objection.found}: kept as data"
                failed = Claim(rule, candidate.path, False, why)
        return failed

    def _outcome(self, path: str, around: Surroundings) -> _Folder:
        """Return a folder's outcome, working down from the nearest folder above it that is remembered."""
        memo = self._memo(around)
        unknown: list[str] = []
        known: _Folder | None = None
        while path and (known := memo.get(path)) is None:
            unknown.append(path)
            path = path.rpartition("/")[0]
        known = known or self._root
        for path in reversed(unknown):
            known = self._below(path, known, around)
            memo.put(path, known)
        return known

    def _below(self, path: str, above: _Folder, around: Surroundings) -> _Folder:
        if above.claim is not None:
            return above
        name = path.rpartition("/")[2]
        claim = None
        if above.paths.ends or self._names.may_match(name):
            candidate = around.candidate(path) or Candidate(path, Kind.DIRECTORY, None, None)
            claim = self._decide(candidate, name, above, around)
        if claim is not None and not (claim.holds and claim.rule.with_contents):
            claim = None
        return _Folder(claim, above.paths.below(name))

    def _memo(self, around: Surroundings) -> _Memo:
        key = id(around)
        if key not in self._memos:
            if len(self._memos) >= _TREES:
                del self._memos[next(iter(self._memos))]
            # The tree is kept with its memo, so that no other object can come to have its id.
            self._memos[key] = (around, _Memo(self._limit))
        return self._memos[key][1]


def _by_path(path: str, matches: list[Match]) -> Rule | None:
    """Return the rule that claims a directory, of those whose guards need nothing but its path."""
    for _, rule, _ in matches:
        guards = rule.guards
        needs_more = guards.partner or guards.empty or guards.max_size is not None or guards.leading_bytes
        of_kind = guards.kind in (None, Kind.DIRECTORY)
        if of_kind and not needs_more and not (guards.root_only and "/" in path):
            return rule
    return None


def _order(match: Match) -> int:
    return match.order


def _article(what: str) -> str:
    return "an" if what[:1].lower() in "aeiou" else "a"
