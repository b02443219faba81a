"""The rule file's shape, validated: TOML in, a `RuleSet` out.

Later files win: a rule replaces an earlier file's rule of the same name where that stood, and an entry of policy or
tolerance replaces an earlier one. Within one file a name may stand once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Final

from pydantic import BeforeValidator, model_validator
from pydantic import Field as Key

from verifier.classes import Class, Field, Severity  # noqa: TC001 (pydantic reads the annotations)
from verifier.errors import RuleFileError
from verifier.rules.pattern import BadPatternError, compile_pattern
from verifier.rules.rule import Action, Guards, Policy, Rule, RuleSet, Tolerance
from verifier.rules.size import NANOSECONDS, UNITS, nanoseconds_of, size_of
from verifier.toml import Shape, WrongError, one_line, parsed, place, quoted, texts, validated
from verifier.tree.entry import Kind

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Policy", "Rule", "RuleSet", "read_rules"]

_SIZES_ALLOWED: Final = f'a number of bytes, or a text such as "32 MiB" with {", ".join(UNITS)}'
_HEAD_BYTES: Final = 16
_LONGEST_NS: Final = 24 * 3600 * 10**9
_LONGEST_RUN: Final = 64 * 1024 * 1024
_PLACEHOLDERS: Final = ("{name}", "{stem}", "{rest}")


def _size(value: object) -> int:
    if (size := size_of(value)) is not None:
        return size
    raise WrongError(f"{quoted(value)} is not a size", _SIZES_ALLOWED)


def _duration(value: object) -> int:
    found = nanoseconds_of(value)
    if found is None or found > _LONGEST_NS:
        allowed = f'a text such as "2 s" with {", ".join(NANOSECONDS)}, at most 24 h'
        raise WrongError(f"{quoted(value)} is not a duration", allowed)
    return found


def _run_of_zeros(value: object) -> int:
    size = _size(value)
    if not 1 <= size <= _LONGEST_RUN:
        raise WrongError(f"{quoted(value)} is no length of a run", '"1 B" to "64 MiB"')
    return size


def _heads(value: object) -> tuple[bytes, ...]:
    allowed = f"hexadecimal digits in pairs, for 1 to {_HEAD_BYTES} bytes"
    heads = []
    for text in texts(value):
        try:
            head = bytes.fromhex(text)
        except ValueError as error:
            raise WrongError(f"{quoted(text)} is not hexadecimal", allowed) from error
        if not 1 <= len(head) <= _HEAD_BYTES:
            raise WrongError(f"{quoted(text)} stands for {len(head)} bytes", allowed)
        heads.append(head)
    return tuple(heads)


def _partners(value: object) -> tuple[str, ...]:
    templates = texts(value)
    for text in templates:
        plain = text
        for placeholder in _PLACEHOLDERS:
            plain = plain.replace(placeholder, "x")
        while plain.startswith("../"):
            plain = plain.removeprefix("../")
        if {"{", "}"}.intersection(plain) or {"", ".", ".."}.intersection(plain.split("/")):
            allowed = f"a path beside the entry, perhaps after ../, of text and {', '.join(_PLACEHOLDERS)}"
            raise WrongError(f"{quoted(text)} is not a partner", allowed)
    return templates


_Text = Annotated[str, BeforeValidator(one_line)]


class _GuardsShape(Shape):
    """``[rule.guards]``."""

    kind: Annotated[Kind | None, Key(strict=False)] = None
    max_size: Annotated[int | None, BeforeValidator(_size)] = None
    leading_bytes: Annotated[tuple[bytes, ...], BeforeValidator(_heads)] = ()
    root_only: bool = False
    partner: Annotated[tuple[str, ...], BeforeValidator(_partners)] = ()
    empty: bool = False

    @model_validator(mode="after")
    def _one_kind(self) -> _GuardsShape:
        of_files = self.max_size is not None or self.leading_bytes
        if of_files and self.kind not in (None, Kind.FILE):
            raise WrongError("only a file has a size and leading bytes", '"file", or no kind', "kind")
        if self.empty and (of_files or self.kind not in (None, Kind.DIRECTORY)):
            raise WrongError("only a directory can be empty", '"directory", and no size or leading bytes', "empty")
        return self


class _RuleShape(Shape):
    """``[[rule]]``."""

    name: _Text
    pattern: Annotated[tuple[str, ...], BeforeValidator(texts)]
    ignore_case: bool = False
    what: _Text
    maker: _Text
    action: Annotated[Action, Key(strict=False)]
    decision: bool = False
    with_contents: bool = True
    source: _Text
    guards: _GuardsShape = _GuardsShape()

    @model_validator(mode="after")
    def _meant(self) -> _RuleShape:
        for text in self.pattern:
            try:
                pattern = compile_pattern(text, ignore_case=self.ignore_case)
            except BadPatternError as error:
                raise WrongError(f"{quoted(text)} cannot be used: {error}", "a gitignore pattern", "pattern") from error
            if pattern.literal is not None and any("{rest}" in partner for partner in self.guards.partner):
                allowed = "{name} or {stem}, or a pattern with a wildcard"
                raise WrongError(f"nothing is left of {quoted(text)} for {{rest}}", allowed, "guards.partner")
        if self.decision and self.action is not Action.SET_ASIDE:
            raise WrongError("only what is set aside can need a decision", 'action = "set-aside"', "decision")
        if self.action is Action.DO_NOT_DESCEND:
            self._decided_by_path()
        return self

    def _decided_by_path(self) -> None:
        if not self.with_contents:
            raise WrongError("what is not entered has no contents to judge", "true, or no such key", "with_contents")
        if self.guards.kind not in (None, Kind.DIRECTORY):
            raise WrongError("only a directory can be entered", '"directory", or no kind', "guards.kind")
        used = self.guards.model_fields_set - {"kind", "root_only"}
        if used:
            key = f"guards.{min(used)}"
            raise WrongError("not known before a folder is entered", "kind and root_only with do-not-descend", key)


class _PolicyShape(Shape):
    """``[policy]``."""

    classes: Annotated[
        dict[Annotated[Class, Key(strict=False)], Annotated[Severity, Key(strict=False)]],
        Key(alias="class", default_factory=dict),
    ]
    fields: Annotated[
        dict[Annotated[Field, Key(strict=False)], Annotated[Severity, Key(strict=False)]],
        Key(alias="field", default_factory=dict),
    ]


class _ToleranceShape(Shape):
    """``[tolerance]``."""

    mtime: Annotated[int | None, BeforeValidator(_duration)] = None
    zero_run: Annotated[int | None, BeforeValidator(_run_of_zeros)] = None


class _FileShape(Shape):
    """A rule file."""

    rule: Annotated[list[_RuleShape], Key(default_factory=list)]
    policy: _PolicyShape = _PolicyShape.model_validate({})
    tolerance: _ToleranceShape = _ToleranceShape()


def read_rules(sources: Sequence[tuple[str, bytes]]) -> RuleSet:
    """Build a set from the content of rule files, each with a label for messages.

    Raises:
        RuleFileError: If a file does not validate.
    """
    rules: dict[str, Rule] = {}
    classes: dict[Class, Severity] = {}
    fields: dict[Field, Severity] = {}
    tolerance = Tolerance()
    for label, content in sources:
        shape = _validated(label, parsed(label, content, "rule file", RuleFileError))
        rules.update((rule.name, _rule(rule)) for rule in shape.rule)
        classes |= shape.policy.classes
        fields |= shape.policy.fields
        mtime_ns, zero_run = shape.tolerance.mtime, shape.tolerance.zero_run
        tolerance = Tolerance(
            tolerance.mtime_ns if mtime_ns is None else mtime_ns,
            tolerance.zero_run_bytes if zero_run is None else zero_run,
        )
    labels = tuple(label for label, _ in sources)
    return RuleSet(tuple(rules.values()), Policy(classes, fields), labels, tolerance)


def _rule(shape: _RuleShape) -> Rule:
    guards = shape.guards
    return Rule(
        name=shape.name,
        patterns=shape.pattern,
        what=shape.what,
        maker=shape.maker,
        action=shape.action,
        source=shape.source,
        ignore_case=shape.ignore_case,
        decision=shape.decision,
        with_contents=shape.with_contents,
        guards=Guards(
            guards.kind,
            guards.max_size,
            guards.leading_bytes,
            guards.root_only,
            guards.partner,
            guards.empty,
        ),
    )


def _validated(label: str, content: dict[str, Any]) -> _FileShape:
    shape = validated(_FileShape, label, content, RuleFileError)
    seen: dict[str, int] = {}
    for number, rule in enumerate(shape.rule, 1):
        if (first := seen.setdefault(rule.name, number)) != number:
            raise RuleFileError(
                f"{label}: {place(content, ('rule', number - 1, 'name'))}: rule {first} has this name",
                "allowed: each name once in a file",
            )
    return shape
