"""TOML files that people write: read, held against a shape, and refused in one line that says where and why."""

from __future__ import annotations

import codecs
import tomllib
from typing import TYPE_CHECKING, Any, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, ValidationError

from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pydantic_core import ErrorDetails

    from verifier.errors import UsageProblem

    Location = Sequence[int | str]
    """The keys that lead to a value, with the number of a table among several of one name."""


class WrongError(ValueError):
    """A value that is refused: what is wrong, what is allowed, and the key if pydantic does not know it."""

    def __init__(self, what: str, allowed: str, key: str = "") -> None:
        super().__init__(what)
        self.allowed = allowed
        self.key = key


class Shape(BaseModel):
    """What one table of a file may hold. Strict: "yes" is not true and 1.0 is not a size; no other keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


S = TypeVar("S", bound=Shape)


def parsed(label: str, content: bytes, kind: str, refuse: type[UsageProblem]) -> dict[str, Any]:
    """Return what a file's bytes say.

    Args:
        label: What the file is called in a message.
        content: Its bytes; a byte order mark before them is no fault.
        kind: What it should be, such as ``rule file``.
        refuse: What is raised.

    Raises:
        UsageProblem: Of the kind that was given, if it is not TOML, with the line.
    """
    content = content.removeprefix(codecs.BOM_UTF8)
    try:
        text = content.decode()
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise refuse(f"{label}: not UTF-8 (line {line})", "save it as UTF-8") from error
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise refuse(f"{label}: nested too deeply to be a {kind}", "name another file") from error
    except tomllib.TOMLDecodeError as error:
        line = text.rstrip().count("\n") + 1
        where = str(error).replace("at end of document", f"at line {line}, where the file ends")
        raise refuse(f"{label}: not TOML: {shown(where)}", "correct that line") from error
    except ValueError as error:  # int() takes no text of thousands of digits
        raise refuse(f"{label}: a number in it has thousands of digits", "correct that number") from error


def validated(shape: type[S], label: str, content: dict[str, Any], refuse: type[UsageProblem]) -> S:
    """Return a file's content in its shape.

    Args:
        shape: That of the whole file.
        label: What the file is called in a message.
        content: What `parsed` returned.
        refuse: What is raised.

    Raises:
        UsageProblem: Of the kind that was given, with the key, what is wrong there and what is allowed.
    """
    try:
        return shape.model_validate(content)
    except ValidationError as error:
        problems = error.errors(include_url=False)
        what, allowed, key = _told(shape, problems[0])
        location = [part for part in problems[0]["loc"] if part != "[key]"]
        where = place(content, [*location, key] if key else location)
        more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
        raise refuse(f"{label}: {where}: {what}{more}", f"allowed: {allowed}" if allowed else "") from error


def place(content: dict[str, Any], location: Location) -> str:
    """Name a key as a person finds it: ``rule 3 "my-name", guards.max_size``."""
    match location:
        case [str(table), int(index), *keys]:
            one = content[table][index]
            name = one.get("name") if isinstance(one, dict) else None
            where = f"{table} {index + 1}" + (f" {quoted(name)}" if isinstance(name, str) else "")
            return f"{where}, {_dotted(keys)}" if keys else where
        case _:
            return _dotted(location)


def quoted(value: object) -> str:
    """Return a value as a message repeats it: in quotes if it is a text, cut where it is long."""
    match value:
        case bool():
            return str(value).lower()
        case dict() | list():  # it may be nested more deeply than it can be written
            return "a table" if isinstance(value, dict) else "a list"
        case int() if value.bit_length() > 256:  # Python writes no numbers of thousands of digits
            return "so large a number"
        case str():
            text = f'"{value}"'
        case _:
            text = str(value)
    return shown(text if len(text) <= 80 else text[:77] + "...")


def one_line(value: object) -> str:
    """Return a value that is one line of printable text.

    Raises:
        WrongError: If it is not.
    """
    if not isinstance(value, str):
        raise WrongError("not a text", "a text in quotes")
    if not value.strip() or value != value.strip() or not value.isprintable():
        raise WrongError(f"{quoted(value)} is not one line of text", "printable text without space around it")
    return value


def texts(value: object) -> tuple[str, ...]:
    """Return a text, or a list with at least one, as a tuple.

    Raises:
        WrongError: If it is neither.
    """
    listed = value if isinstance(value, list) else [value]
    if not listed or not all(isinstance(text, str) for text in listed):
        raise WrongError("not a text or a list of texts", "a text, or a list with at least one")
    return tuple(listed)


def one_of(values: Iterable[str]) -> str:
    """Return what is allowed where one of some texts is: ``a, b or c``."""
    *most, last = values
    return f"{', '.join(most)} or {last}" if most else last


def shapes_below(shape: type[BaseModel]) -> dict[str, type[BaseModel]]:
    """Return the shapes of the tables in a table, by the keys under which they stand."""
    return {
        field.alias or name: below
        for name, field in shape.model_fields.items()
        if (below := _shape_in(field.annotation)) is not None
    }


def keys_of(shape: type[BaseModel]) -> list[str]:
    """Return the keys that a table may have, as a file has them."""
    return [field.alias or name for name, field in shape.model_fields.items()]


def _shape_in(annotation: object) -> type[BaseModel] | None:
    """Return the shape that a key's value has, alone, in a list, or where it may be missing."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := _shape_in(part)) is not None), None)


def _told(shape: type[BaseModel], problem: ErrorDetails) -> tuple[str, str, str]:
    """Say what is wrong and what is allowed, in a file's words; last, the key if it is not the place."""
    context = problem.get("ctx", {})
    match problem["type"]:
        case "value_error" if isinstance(wrong := context["error"], WrongError):
            return str(wrong), wrong.allowed, wrong.key
        case "extra_forbidden":
            return "unknown key", ", ".join(keys_of(_shape_at(shape, problem["loc"]))), ""
        case "missing":
            return "this key is missing", "", ""
        case "enum":
            return f"{quoted(problem['input'])} is not known", context["expected"].replace("'", ""), ""
        case "bool_type":
            return f"{quoted(problem['input'])} is neither true nor false", "true, false", ""
        case "list_type":
            table = str(problem["loc"][-1])
            return "not a list of tables", f"[[{table}]], once for each {table}", ""
        case "model_type" | "dict_type":
            return "not a table", "a table of keys", ""
        case _:
            return problem["msg"].lower(), "", ""


def _shape_at(shape: type[BaseModel], location: Location) -> type[BaseModel]:
    """Return the shape of the table in which a key stands."""
    for part in location[:-1]:
        shape = shapes_below(shape).get(str(part), shape)
    return shape


def _dotted(keys: Location) -> str:
    return ".".join(shown(str(key)) for key in keys)
