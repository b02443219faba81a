"""Rule files into one set."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from verifier.errors import RuleFileError
from verifier.rules.rule import Policy, RuleSet
from verifier.rules.shipped import shipped_content, shipped_rules
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

STANDARD: Final = "standard"
"""The label of the rules that ship."""


def load_rules(extra: Sequence[Path] = (), *, standard: bool = True) -> RuleSet:
    """Read rule files into one set.

    Args:
        extra: Rule files, later ones win.
        standard: Begin with the rules that ship.

    Raises:
        RuleFileError: If a file cannot be read or does not validate; it names file, key and fault.
    """
    if standard and not extra:
        return RuleSet(shipped_rules(), Policy(), (STANDARD,))
    from verifier.rules.model import read_rules  # noqa: PLC0415  pydantic: 150 ms, for a user's own rules only

    sources: list[tuple[str, bytes]] = []
    if standard:
        sources.append((STANDARD, shipped_content()))
    for path in extra:
        label = shown(str(path))
        try:
            sources.append((label, path.read_bytes()))
        except OSError as error:
            reason = error.strerror or type(error).__name__
            raise RuleFileError(f"rule file {label} cannot be read: {reason}", "name a readable TOML file") from error
    return read_rules(sources)
