"""``verifier rules``: which rules there are, and which one would claim a path."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from verifier.cli.options import RuleFiles, read_path
from verifier.errors import UsageProblem
from verifier.tree.entry import HEAD_BYTES, Kind

app = typer.Typer(
    help="Show the rules that tell clutter from data, and which one would claim a path.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@app.command("list", short_help="List all rules, in order.")
def list_rules(rules: RuleFiles = None) -> int:
    """List all rules in order: where two match, the later one is asked first.

    Example: verifier rules list --rules our-rules.toml
    """
    from verifier.rules.load import load_rules
    from verifier.tree.names import shown

    loaded = load_rules(rules or ())
    for rule in loaded.rules:
        marks = f"{rule.action.value}{', needs a decision' if rule.decision else ''}"
        print(shown(f"{rule.name}  [{marks}]"))
        print(shown(f"    {'  '.join(rule.patterns)}"))
        print(shown(f"    {rule.what} ({rule.maker}); source: {rule.source}"))
    print(f"{len(loaded.rules)} rules from {', '.join(shown(name) for name in loaded.files)}; digest {loaded.digest}")
    return 0


@app.command("check", short_help="Validate rule files; show what they would change.")
def check_rules(
    files: Annotated[
        list[Path],
        typer.Argument(parser=read_path, metavar="FILE...", help="Rule files, as --rules takes them; later ones win."),
    ],
    evidence: Annotated[
        Path | None,
        typer.Option(
            "--evidence",
            parser=read_path,
            metavar="DIR",
            help="A folder that `verifier check` wrote: show what these rules would change there. It is only read.",
        ),
    ] = None,
) -> int:
    """Validate rule files, and show against a finished check what would change, before they are used.

    Exit code 0: the files validate. 2: they do not, with file, key and what is allowed.

    Example: verifier rules check our-rules.toml --evidence proof-2026-11
    """
    from verifier.rules.load import load_rules
    from verifier.tree.names import shown

    loaded = load_rules(files)
    print(f"{len(loaded.rules)} rules from {', '.join(shown(name) for name in loaded.files)}; digest {loaded.digest}")
    if evidence is not None:
        from verifier.trial import try_rules

        for line in try_rules(evidence, loaded).lines():
            print(line)
    return 0


@app.command(short_help="Say which rule would claim a path, and why.")
def explain(
    path: Annotated[str, typer.Argument(metavar="PATH", help="A path relative to a root, /-separated.")],
    size: Annotated[int | None, typer.Option("--size", metavar="N", help="The file's size in bytes.", min=0)] = None,
    kind: Annotated[Kind, typer.Option("--kind", help="What it is.")] = Kind.FILE,
    head: Annotated[
        str | None, typer.Option("--head", metavar="HEX", help="Its first bytes, at most 16, as hex digits.")
    ] = None,
    rules: RuleFiles = None,
) -> int:
    """Say which rule would claim a path, which would not, and why. No tree is needed.

    Example: verifier rules explain scans/Thumbs.db --size 38000000
    """
    from verifier.rules.explanation import explain as explain_path
    from verifier.rules.load import load_rules
    from verifier.rules.matcher import Matcher
    from verifier.tree.names import shown, to_text

    explanation = explain_path(
        Matcher(load_rules(rules or ())),
        to_text(os.fsencode(path.strip("/"))),
        kind=kind,
        size=size,
        head=_bytes(head),
    )
    print(shown(explanation.outcome))
    for one in explanation.considered:
        print(shown(f"  rule {one.rule.name} [{one.rule.action.value}], pattern {one.pattern}, on {one.via}"))
        for answer in one.guards:
            word = {True: "holds", False: "does not hold", None: "not known"}[answer.holds]
            print(shown(f"    guard {answer.guard}: {word}; wants {answer.wanted}, found {answer.found}"))
    return 0


def _bytes(head: str | None) -> bytes | None:
    if head is None:
        return None
    try:
        return bytes.fromhex(head)[:HEAD_BYTES]
    except ValueError as error:
        raise UsageProblem(f"--head {head!r} is not hex digits", "write two digits a byte, such as d0cf11e0") from error
