"""Which paths a pattern means: those that it matches, and everything in the folders that it matches."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verifier.errors import UsageProblem
from verifier.rules.pattern import BadPatternError, compile_pattern
from verifier.tree.entry import Kind
from verifier.tree.names import shown

if TYPE_CHECKING:
    from verifier.rules.pattern import Pattern


class Meaning:
    """A gitignore pattern, ready to be asked for what it means.

    A path is held against it as manifest text and, where something in it cannot be shown, as it is shown.

    Args:
        text: The pattern.

    Raises:
        UsageProblem: If it has no meaning.
    """

    def __init__(self, text: str) -> None:
        if text.startswith("!"):
            raise UsageProblem(f"the pattern {shown(text)} is negated", "write \\! for the character")
        try:
            self._pattern = compile_pattern(text)
        except BadPatternError as error:
            raise UsageProblem(
                f"the pattern {shown(text)} cannot be used: {error}", "give a gitignore pattern"
            ) from error
        self._folder = ""
        self._inside: frozenset[int] | None = self._pattern.start()

    def means(self, path: str | None, kind: str | None) -> bool:
        """Tell whether it means a path.

        Args:
            path: Manifest text; None, on a side that has nothing, is not meant.
            kind: What lies there, a `Kind` as its text.
        """
        if path is None:
            return False
        harmless = shown(path)
        return self._means(path, kind) or (harmless != path and self._means(harmless, kind))

    def _means(self, path: str, kind: str | None) -> bool:
        folder, _, name = path.rpartition("/")
        # Neighbours come one after the other: what is known of their folder is known of all of them.
        if folder != self._folder:
            self._folder, self._inside = folder, self._below(folder)
        return self._inside is None or _matches(self._pattern, self._inside, name, kind)

    def _below(self, folder: str) -> frozenset[int] | None:
        """Return where matching stands in a folder; None where the folder, or one above it, is meant itself."""
        at = self._pattern.start()
        for name in folder.split("/") if folder else ():
            if _matches(self._pattern, at, name, Kind.DIRECTORY):
                return None
            at = self._pattern.step(at, name)
        return at


def _matches(pattern: Pattern, at: frozenset[int], name: str, kind: str | None) -> bool:
    """Tell whether a pattern matches a name itself, in a folder that brought it so far."""
    ends = pattern.by_name or pattern.may_end(at)
    return ends and (kind == Kind.DIRECTORY or not pattern.only_directories) and pattern.matches_name(name)
