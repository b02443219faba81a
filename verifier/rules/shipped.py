"""The rules that ship, read without the machinery that validates a user's: that costs 200 ms at every start.

A test holds that both ways give the same rules, so what ships is validated all the same.
"""

from __future__ import annotations

import tomllib
from importlib.resources import files
from typing import Any

from verifier.rules.rule import Action, Guards, Rule
from verifier.rules.size import size_of
from verifier.tree.entry import Kind


def shipped_content() -> bytes:
    """Return the rule file that ships."""
    return (files("verifier.rules") / "standard.toml").read_bytes()


def shipped_rules() -> tuple[Rule, ...]:
    """Return the rules that ship."""
    return tuple(_rule(**table) for table in tomllib.loads(shipped_content().decode())["rule"])


def _rule(*, pattern: str | list[str], action: str, guards: dict[str, Any] | None = None, **plain: Any) -> Rule:
    return Rule(patterns=_texts(pattern), action=Action(action), guards=_guards(**(guards or {})), **plain)


def _guards(
    *,
    kind: str | None = None,
    max_size: int | str | None = None,
    leading_bytes: str | list[str] = (),  # type: ignore[assignment]
    partner: str | list[str] = (),  # type: ignore[assignment]
    **plain: bool,
) -> Guards:
    return Guards(
        kind=None if kind is None else Kind(kind),
        max_size=None if max_size is None else size_of(max_size),
        leading_bytes=tuple(bytes.fromhex(text) for text in _texts(leading_bytes)),
        partner=_texts(partner),
        **plain,
    )


def _texts(value: str | list[str]) -> tuple[str, ...]:
    return (value,) if isinstance(value, str) else tuple(value)
