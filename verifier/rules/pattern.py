r"""gitignore patterns, compiled component by component.

pathspec translates each component of a pattern to a regular expression; how components make up a path is decided
here, so that

* a pattern matches one path and never merely something below it: a claim on a folder is decided at the folder, with
  the folder's own guards;
* the time a path takes is bounded by its length, whatever hostile names it is made of;
* a whole component matches: ``$`` would let a line feed follow, and ``Thumbs.db`` with a line feed at its end is
  another name than ``Thumbs.db``;
* letter case, where it is ignored, is ignored for ASCII letters only if the pattern is ASCII: the long s and the
  Kelvin sign are not the letters that they fold to.

The rules of gitignore for components: a pattern of one component matches at any depth; one with a slash at its
beginning or inside is relative to the root; a slash at its end makes it match directories only; ``**`` stands for
any number of folders, at the end for everything in one.

A pattern is held against manifest text (see `verifier.tree.names`), in which a backslash is doubled and a byte that
is not UTF-8 is written ``\xNN``. A backslash in a pattern escapes the next character, so a name's one backslash is
four in the pattern. White space at a pattern's end is refused, because gitignore drops it, a carriage return too:
``Icon[\r]`` is how to write it.
"""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import pathspec

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

_TRANSLATE: Final = pathspec.lookup_pattern("gitignore")
_BELOW: Final = "/x(?:/|$)"
_TOKEN: Final = re.compile(r"\\(.)|\[([^!^\]])\]|(\[[!^]?\]?[^\]]*\]|[*?])|(.)", re.DOTALL)


class BadPatternError(ValueError):
    """A pattern that cannot be meant; the message says why and what to write instead."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """A compiled pattern."""

    text: str
    components: tuple[re.Pattern[str] | None, ...]
    """For each component what its whole name matches; None for ``**``."""
    by_name: bool
    """It has one component and matches at any depth."""
    only_directories: bool
    ignore_case: bool
    literal: str | None
    """The name that the last component stands for, where it has no wildcard."""
    prefix: str
    """What every matching name begins with; for a literal, all of it."""
    suffix: str
    """What every matching name ends with; for a literal, nothing."""

    @property
    def folds(self) -> bool:
        """Whether case is ignored for more than ASCII letters, so that no index by letters is safe."""
        return self.ignore_case and not self.text.isascii()

    def matches_name(self, name: str) -> bool:
        """Tell whether the last component matches a name."""
        last = self.components[-1]
        return last is None or last.fullmatch(name) is not None

    def start(self) -> frozenset[int]:
        """Return where matching may stand at the root: the components that may come next."""
        return self._reachable({0})

    def step(self, at: frozenset[int], folder: str) -> frozenset[int]:
        """Return where matching may stand one folder deeper."""
        found = set()
        for n in at:
            component = self.components[n]
            if component is None:
                found.add(n)
            elif n + 1 < len(self.components) and component.fullmatch(folder):
                found.add(n + 1)
        return self._reachable(found)

    def advancing(self, at: frozenset[int]) -> Iterator[re.Pattern[str]]:
        """Yield what a folder's name has to match to make `step` do more than let ``**`` go on."""
        for n in sorted(at):
            component = self.components[n]
            if component is not None and n + 1 < len(self.components):
                yield component

    def may_end(self, at: frozenset[int]) -> bool:
        """Tell whether the next component may be the last."""
        return len(self.components) - 1 in at

    def rest(self, name: str) -> str:
        """Return what the wildcards stood for: a matching name without the literal prefix and suffix."""
        return name[len(self.prefix) : len(name) - len(self.suffix)]

    def _reachable(self, found: Iterable[int]) -> frozenset[int]:
        # "**" may stand for no folder at all, unless it is the end; two in a row are one.
        last = len(self.components) - 1
        return frozenset(found).union(n + 1 for n in found if n < last and self.components[n] is None)


def compile_pattern(text: str, *, ignore_case: bool = False) -> Pattern:
    """Compile a gitignore pattern.

    Raises:
        BadPatternError: If it is empty, negated, a comment, ends in white space, or has no meaning.
    """
    _refuse(text)
    names = text.removesuffix("/").split("/")
    by_name = len(names) == 1 and names[0] != "**"
    if not names[0]:
        del names[0]
    names = [name for n, name in enumerate(names) if name != "**" or names[n - 1 : n] != ["**"]]
    flags = re.NOFLAG
    if ignore_case:
        flags = re.IGNORECASE | (re.ASCII if text.isascii() else re.NOFLAG)
    tokens: list[str | None] = [None] if names[-1] == "**" else _tokens(names[-1])
    wild = [n for n, token in enumerate(tokens) if token is None]
    return Pattern(
        text,
        tuple(None if name == "**" else _component(name, flags) for name in names),
        by_name,
        text.endswith("/"),
        ignore_case,
        literal=None if wild else _joined(tokens),
        prefix=_joined(tokens[: wild[0]] if wild else tokens),
        suffix=_joined(tokens[wild[-1] + 1 :]) if wild else "",
    )


def _refuse(text: str) -> None:
    bare = text.rstrip()
    if not bare.strip("/"):
        raise BadPatternError("it is empty")
    if bare != text and not text.endswith("\\ "):
        raise BadPatternError("white space at its end would be dropped; put the character into brackets")
    if text.startswith("!"):
        raise BadPatternError("it is negated; write a later rule with the action keep, or \\\\! for the character")
    if text.startswith("#"):
        raise BadPatternError("it would be a comment; write [#] for the character")
    if "[[:" in text:
        raise BadPatternError("character classes by name are not supported; write a range such as [a-z]")
    if "//" in text:
        raise BadPatternError("no path has an empty component")


def _component(name: str, flags: int) -> re.Pattern[str]:
    # Something in front and behind, so that nothing in the component is taken for a comment or trimmed.
    try:
        translated, _ = _TRANSLATE.pattern_to_regex(f"/{name}/x")  # type: ignore[attr-defined]
    except ValueError as error:
        raise BadPatternError("it ends in a backslash that escapes nothing") from error
    if not translated.startswith("^") or not translated.endswith(_BELOW):
        raise BadPatternError("it has no meaning here")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", FutureWarning)  # "[[]" is a bracket in brackets, as it was meant
            return re.compile(translated[1 : -len(_BELOW)], flags)
    except re.error as error:
        raise BadPatternError(f"its brackets are wrong ({error.msg})") from error


def _tokens(name: str) -> list[str | None]:
    """Split a component into literal characters and wildcards (None)."""
    return [None if m[3] else m[1] or m[2] or m[4] for m in _TOKEN.finditer(name)]


def _joined(tokens: list[str | None]) -> str:
    return "".join(token for token in tokens if token)
