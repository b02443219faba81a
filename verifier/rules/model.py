"""The rule file's shape, validated: TOML in, a `RuleSet` out.

Later files win: a rule replaces an earlier file's rule of the same name where that stood, and an entry of policy or
tolerance replaces an earlier one. Within one file a name may stand once.
"""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Annotated, Any, Final

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError, model_validator
from pydantic import Field as Key

from verifier.classes import Class, Field, Severity  # noqa: TC001 (pydantic reads the annotations)
from verifier.errors import RuleFileError
from verifier.rules.pattern import BadPatternError, compile_pattern
from verifier.rules.rule import Action, Guards, Policy, Rule, RuleSet, Tolerance
from verifier.rules.size import NANOSECONDS, UNITS, nanoseconds_of, size_of
from verifier.tree.entry import Kind
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pydantic_core import ErrorDetails

__all__ = ["Policy", "Rule", "RuleSet", "read_rules"]

_SIZES_ALLOWED: Final = f'a number of bytes, or a text such as "32 MiB" with {", ".join(UNITS)}'
_HEAD_BYTES: Final = 16
_LONGEST_NS: Final = 24 * 3600 * 10**9
_LONGEST_RUN: Final = 64 * 1024 * 1024
_PLACEHOLDERS: Final = ("{name}", "{stem}", "{rest}")


class _WrongError(ValueError):
    """A value that is refused: what is wrong, what is allowed, and the key if pydantic does not know it."""

    def __init__(self, what: str, allowed: str, key: str = "") -> None:
        super().__init__(what)
        self.allowed = allowed
        self.key = key


def _texts(value: object) -> tuple[str, ...]:
    listed = value if isinstance(value, list) else [value]
    if not listed or not all(isinstance(text, str) for text in listed):
        raise _WrongError("not a text or a list of texts", "a text, or a list with at least one")
    return tuple(listed)


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise _WrongError("not a text", "a text in quotes")
    if not value.strip() or value != value.strip() or not value.isprintable():
        raise _WrongError(f"{_quoted(value)} is not one line of text", "printable text without space around it")
    return value


def _size(value: object) -> int:
    if (size := size_of(value)) is not None:
        return size
    raise _WrongError(f"{_quoted(value)} is not a size", _SIZES_ALLOWED)


def _duration(value: object) -> int:
    found = nanoseconds_of(value)
    if found is None or found > _LONGEST_NS:
        allowed = f'a text such as "2 s" with {", ".join(NANOSECONDS)}, at most 24 h'
        raise _WrongError(f"{_quoted(value)} is not a duration", allowed)
    return found


def _run_of_zeros(value: object) -> int:
    size = _size(value)
    if not 1 <= size <= _LONGEST_RUN:
        raise _WrongError(f"{_quoted(value)} is no length of a run", '"1 B" to "64 MiB"')
    return size


def _heads(value: object) -> tuple[bytes, ...]:
    allowed = f"hexadecimal digits in pairs, for 1 to {_HEAD_BYTES} bytes"
    heads = []
    for text in _texts(value):
        try:
            head = bytes.fromhex(text)
        except ValueError as error:
            raise _WrongError(f"{_quoted(text)} is not hexadecimal", allowed) from error
        if not 1 <= len(head) <= _HEAD_BYTES:
            raise _WrongError(f"{_quoted(text)} stands for {len(head)} bytes", allowed)
        heads.append(head)
    return tuple(heads)


def _partners(value: object) -> tuple[str, ...]:
    texts = _texts(value)
    for text in texts:
        plain = text
        for placeholder in _PLACEHOLDERS:
            plain = plain.replace(placeholder, "x")
        while plain.startswith("../"):
            plain = plain.removeprefix("../")
        if {"{", "}"}.intersection(plain) or {"", ".", ".."}.intersection(plain.split("/")):
            allowed = f"a path beside the entry, perhaps after ../, of text and {', '.join(_PLACEHOLDERS)}"
            raise _WrongError(f"{_quoted(text)} is not a partner", allowed)
    return texts


_Text = Annotated[str, BeforeValidator(_text)]


class _Shape(BaseModel):
    # Strict: "yes" is not true and 1.0 is not a size. Enums are read from their texts all the same.
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class _GuardsShape(_Shape):
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
            raise _WrongError("only a file has a size and leading bytes", '"file", or no kind', "kind")
        if self.empty and (of_files or self.kind not in (None, Kind.DIRECTORY)):
            raise _WrongError("only a directory can be empty", '"directory", and no size or leading bytes', "empty")
        return self


class _RuleShape(_Shape):
    """``[[rule]]``."""

    name: _Text
    pattern: Annotated[tuple[str, ...], BeforeValidator(_texts)]
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
                raise _WrongError(
                    f"{_quoted(text)} cannot be used: {error}", "a gitignore pattern", "pattern"
                ) from error
            if pattern.literal is not None and any("{rest}" in partner for partner in self.guards.partner):
                allowed = "{name} or {stem}, or a pattern with a wildcard"
                raise _WrongError(f"nothing is left of {_quoted(text)} for {{rest}}", allowed, "guards.partner")
        if self.decision and self.action is not Action.SET_ASIDE:
            raise _WrongError("only what is set aside can need a decision", 'action = "set-aside"', "decision")
        if self.action is Action.DO_NOT_DESCEND:
            self._decided_by_path()
        return self

    def _decided_by_path(self) -> None:
        if not self.with_contents:
            raise _WrongError("what is not entered has no contents to judge", "true, or no such key", "with_contents")
        if self.guards.kind not in (None, Kind.DIRECTORY):
            raise _WrongError("only a directory can be entered", '"directory", or no kind', "guards.kind")
        used = self.guards.model_fields_set - {"kind", "root_only"}
        if used:
            key = f"guards.{min(used)}"
            raise _WrongError("not known before a folder is entered", "kind and root_only with do-not-descend", key)


class _PolicyShape(_Shape):
    """``[policy]``."""

    classes: Annotated[
        dict[Annotated[Class, Key(strict=False)], Annotated[Severity, Key(strict=False)]],
        Key(alias="class", default_factory=dict),
    ]
    fields: Annotated[
        dict[Annotated[Field, Key(strict=False)], Annotated[Severity, Key(strict=False)]],
        Key(alias="field", default_factory=dict),
    ]


class _ToleranceShape(_Shape):
    """``[tolerance]``."""

    mtime: Annotated[int | None, BeforeValidator(_duration)] = None
    zero_run: Annotated[int | None, BeforeValidator(_run_of_zeros)] = None


class _FileShape(_Shape):
    """A rule file."""

    rule: list[_RuleShape] = []
    policy: _PolicyShape = _PolicyShape.model_validate({})
    tolerance: _ToleranceShape = _ToleranceShape()


_SHAPES: Final[dict[str, type[BaseModel]]] = {
    "rule": _RuleShape,
    "guards": _GuardsShape,
    "policy": _PolicyShape,
    "tolerance": _ToleranceShape,
}


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
        shape = _validated(label, _parsed(label, content))
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


def _parsed(label: str, content: bytes) -> dict[str, Any]:
    try:
        return tomllib.loads(content.decode())
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise RuleFileError(f"{label}: not UTF-8 (line {line})", "save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise RuleFileError(f"{label}: not TOML: {shown(str(error))}", "correct that line") from error
    except RecursionError as error:
        raise RuleFileError(f"{label}: nested too deeply to be a rule file", "name another file") from error


def _validated(label: str, content: dict[str, Any]) -> _FileShape:
    try:
        shape = _FileShape.model_validate(content)
    except ValidationError as error:
        raise _refusal(label, content, error.errors(include_url=False)) from error
    seen: dict[str, int] = {}
    for number, rule in enumerate(shape.rule, 1):
        if (first := seen.setdefault(rule.name, number)) != number:
            raise RuleFileError(
                f"{label}: {_place(content, ('rule', number - 1, 'name'))}: rule {first} has this name",
                "allowed: each name once in a file",
            )
    return shape


def _refusal(label: str, content: dict[str, Any], problems: list[ErrorDetails]) -> RuleFileError:
    problem = problems[0]
    what, allowed, key = _told(problem)
    location = tuple(part for part in problem["loc"] if part != "[key]")
    place = _place(content, location + ((key,) if key else ()))
    more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
    return RuleFileError(f"{label}: {place}: {what}{more}", f"allowed: {allowed}" if allowed else "")


def _told(problem: ErrorDetails) -> tuple[str, str, str]:
    """Say what is wrong and what is allowed, in a rule file's words; last, the key if it is not the place."""
    context = problem.get("ctx", {})
    match problem["type"]:
        case "value_error" if isinstance(wrong := context["error"], _WrongError):
            return str(wrong), wrong.allowed, wrong.key
        case "extra_forbidden":
            return "unknown key", ", ".join(_keys(problem["loc"])), ""
        case "missing":
            return "this key is missing", "", ""
        case "enum":
            return f"{_quoted(problem['input'])} is not known", context["expected"].replace("'", ""), ""
        case "bool_type":
            return f"{_quoted(problem['input'])} is neither true nor false", "true, false", ""
        case "list_type":
            return "not a list of tables", "[[rule]], once for each rule", ""
        case "model_type" | "dict_type":
            return "not a table", "a table of keys", ""
        case _:
            return problem["msg"].lower(), "", ""


def _keys(location: tuple[int | str, ...]) -> list[str]:
    shape: type[BaseModel] = _FileShape
    for part in location[:-1]:
        shape = _SHAPES.get(str(part), shape)
    return [field.alias or name for name, field in shape.model_fields.items()]


def _place(content: dict[str, Any], location: tuple[int | str, ...]) -> str:
    """Name a key as a person finds it: ``rule 3 "my-name", guards.max_size``."""
    match location:
        case ("rule", int(index), *keys):
            rule = content["rule"][index]
            name = rule.get("name") if isinstance(rule, dict) else None
            where = f"rule {index + 1}" + (f" {_quoted(name)}" if isinstance(name, str) else "")
            return f"{where}, {_dotted(keys)}" if keys else where
        case _:
            return _dotted(location)


def _dotted(keys: Sequence[int | str]) -> str:
    return ".".join(shown(str(key)) for key in keys)


def _quoted(value: object) -> str:
    text = f'"{value}"' if isinstance(value, str) else str(value)
    if isinstance(value, bool):
        text = text.lower()
    return shown(text if len(text) <= 80 else text[:77] + "...")
