"""The reference of all keys of a job file, as Markdown."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verifier.job.keys import TABLES, keys_in

if TYPE_CHECKING:
    from verifier.job.keys import Key


def reference() -> str:
    """Return the reference of all keys, as Markdown."""
    lines = [
        "# The job file",
        "",
        "One TOML file (toml.io) says what `verifier nightly` does. `verifier job new` writes one to start from,",
        "`verifier job check` tries what it names.",
    ]
    for table in TABLES:
        heading = f"[[{table.name}]]" if table.repeatable else f"[{table.name}]"
        lines += ["", f"## `{heading}`" if table.name else "## At the top", "", f"{table.meaning}", ""]
        lines += ["| key | what it says | allowed | without it |", "|---|---|---|---|"]
        lines += [
            f"| `{key.name}` | {_cell(key.meaning)} | {_cell(key.allowed)} | {_cell(_without(key))} |"
            for key in keys_in(table)
        ]
    return "\n".join(lines) + "\n"


def _without(key: Key) -> str:
    if key.required or key.table == "map":
        return "required"
    return key.without or f"`{key.written}`"


def _cell(text: str) -> str:
    return text.replace("|", "\\|")
