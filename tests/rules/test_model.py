"""Rule files: shape, refusals in one line, overriding, digest."""

from __future__ import annotations

import pickle
from typing import TYPE_CHECKING

import pytest

from verifier.classes import Class, Field, Severity
from verifier.errors import RuleFileError
from verifier.rules.load import load_rules
from verifier.rules.model import read_rules
from verifier.rules.rule import Action, Guards, RuleSet
from verifier.rules.shipped import shipped_content, shipped_rules
from verifier.tree.entry import Kind

if TYPE_CHECKING:
    from pathlib import Path

RULE = """
[[rule]]
name = "my-rule"
pattern = "x*"
what = "cache"
maker = "somebody"
action = "set-aside"
source = "invented"
"""
TWO = RULE + RULE.replace("my-rule", "other")


def read(*texts: str) -> RuleSet:
    """Read rule files from texts."""
    return read_rules([(f"{n}.toml", text.encode()) for n, text in enumerate(texts, 1)])


def refusal(text: str) -> str:
    """Return the one line with which a rule file is refused."""
    with pytest.raises(RuleFileError) as caught:
        read(text)
    line = str(caught.value)
    assert "\n" not in line
    assert line.isprintable()
    assert caught.value.exit_code == 2
    return line


def test_every_key_arrives() -> None:
    """What a file says is what the rule says, with sizes in bytes and bytes as bytes."""
    (rule,) = read(
        """
        [[rule]]
        name = "all"
        pattern = ["a*", "b"]
        ignore_case = true
        what = "w"
        maker = "m"
        action = "set-aside"
        decision = true
        with_contents = false
        source = "s"
        [rule.guards]
        kind = "file"
        max_size = "32 MiB"
        leading_bytes = ["00 05", "ff"]
        root_only = true
        partner = "{stem}.x"
        """
    ).rules
    assert rule.guards == Guards(Kind.FILE, 32 * 1024**2, (b"\x00\x05", b"\xff"), True, ("{stem}.x",))
    assert (rule.name, rule.patterns, rule.what, rule.maker, rule.source) == ("all", ("a*", "b"), "w", "m", "s")
    assert (rule.action, rule.ignore_case, rule.decision) == (Action.SET_ASIDE, True, True)
    assert not rule.with_contents


def test_what_is_left_out_has_a_default() -> None:
    """Case matters, nothing needs a decision, a folder's claim covers its content, there are no guards."""
    (rule,) = read(RULE).rules
    assert (rule.ignore_case, rule.decision, rule.with_contents, rule.guards) == (False, False, True, Guards())


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("0", 0),
        ("4096", 4096),
        ('"7 B"', 7),
        ('"7B"', 7),
        ('"1 kB"', 1000),
        ('"1 MB"', 10**6),
        ('"1 GB"', 10**9),
        ('"1 KiB"', 1024),
        ('"1.5 MiB"', 1572864),
        ('"1 GiB"', 2**30),
    ],
)
def test_sizes(text: str, size: int) -> None:
    """Decimal and binary units are told apart (IEC 80000-13, from memory)."""
    assert read(RULE + f"guards = {{ max_size = {text} }}").rules[0].guards.max_size == size


SIZES = 'a number of bytes, or a text such as "32 MiB" with B, kB, MB, GB, KiB, MiB, GiB'
PARTNERS = "a path beside the entry, perhaps after ../, of text and {name}, {stem}, {rest}"


@pytest.mark.parametrize(
    ("addition", "line"),
    [
        ("colour = 1", "colour: unknown key; allowed: name, pattern, ignore_case, what, maker, action, decision, "
         "with_contents, source, guards"),
        ("guards = { colour = 1 }", "guards.colour: unknown key; allowed: kind, max_size, leading_bytes, root_only, "
         "partner, empty"),
        ("guards = 3", "guards: not a table; allowed: a table of keys"),
        ('guards = { max_size = "12 XB" }', f'guards.max_size: "12 XB" is not a size; allowed: {SIZES}'),
        ('guards = { max_size = "-1 B" }', f'guards.max_size: "-1 B" is not a size; allowed: {SIZES}'),
        ("guards = { max_size = -1 }", f"guards.max_size: -1 is not a size; allowed: {SIZES}"),
        ("guards = { max_size = true }", f"guards.max_size: true is not a size; allowed: {SIZES}"),
        ("guards = { max_size = 1.5 }", f"guards.max_size: 1.5 is not a size; allowed: {SIZES}"),
        ('guards = { leading_bytes = "xyz" }', 'guards.leading_bytes: "xyz" is not hexadecimal; allowed: hexadecimal '
         "digits in pairs, for 1 to 16 bytes"),
        ('guards = { leading_bytes = ["00", "0"] }', 'guards.leading_bytes: "0" is not hexadecimal; allowed: '
         "hexadecimal digits in pairs, for 1 to 16 bytes"),
        ('guards = { leading_bytes = "" }', 'guards.leading_bytes: "" stands for 0 bytes; allowed: hexadecimal digits '
         "in pairs, for 1 to 16 bytes"),
        (f'guards = {{ leading_bytes = "{"00" * 17}" }}', f'guards.leading_bytes: "{"00" * 17}" stands for 17 bytes; '
         "allowed: hexadecimal digits in pairs, for 1 to 16 bytes"),
        ("guards = { leading_bytes = [] }", "guards.leading_bytes: not a text or a list of texts; allowed: a text, or "
         "a list with at least one"),
        ('guards = { kind = "folder" }', 'guards.kind: "folder" is not known; allowed: file, directory, link, fifo, '
         "socket, char-device, block-device or unknown"),
        ('guards = { kind = "link", max_size = 1 }', 'guards.kind: only a file has a size and leading bytes; allowed: '
         '"file", or no kind'),
        ('guards = { kind = "file", empty = true }', 'guards.empty: only a directory can be empty; allowed: '
         '"directory", and no size or leading bytes'),
        ("guards = { max_size = 1, empty = true }", 'guards.empty: only a directory can be empty; allowed: '
         '"directory", and no size or leading bytes'),
        ('guards = { root_only = "yes" }', 'guards.root_only: "yes" is neither true nor false; allowed: true, false'),
        ('guards = { partner = "{other}" }', f'guards.partner: "{{other}}" is not a partner; allowed: {PARTNERS}'),
        ('guards = { partner = "{name!r}" }', f'guards.partner: "{{name!r}}" is not a partner; allowed: {PARTNERS}'),
        ('guards = { partner = "/etc/{name}" }', f'guards.partner: "/etc/{{name}}" is not a partner; allowed: '
         f"{PARTNERS}"),
        ('guards = { partner = "a/../{name}" }', f'guards.partner: "a/../{{name}}" is not a partner; allowed: '
         f"{PARTNERS}"),
        ('ignore_case = "yes"', 'ignore_case: "yes" is neither true nor false; allowed: true, false'),
    ],
)  # fmt: skip
def test_a_refused_key_is_named(addition: str, line: str) -> None:
    """One line: file, rule by number and name, key, what is wrong, what is allowed."""
    assert refusal(RULE.replace("my-rule", "first") + RULE + addition) == f'1.toml: rule 2 "my-rule", {line}'


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ('"set-aside"', '"delete"', 'action: "delete" is not known; allowed: set-aside, keep, do-not-descend or '
         "report"),
        ('source = "invented"', "", "source: this key is missing"),
        ('pattern = "x*"', "", "pattern: this key is missing"),
        ('"x*"', '""', 'pattern: "" cannot be used: it is empty; allowed: a gitignore pattern'),
        ('"x*"', "3", "pattern: not a text or a list of texts; allowed: a text, or a list with at least one"),
        ('"x*"', "[]", "pattern: not a text or a list of texts; allowed: a text, or a list with at least one"),
        ('"x*"', '["x", "[z-a]"]', 'pattern: "[z-a]" cannot be used: its brackets are wrong (bad character range z-a); '
         "allowed: a gitignore pattern"),
        ('"x*"', '"!x"', 'pattern: "!x" cannot be used: it is negated; write a later rule with the action keep, or '
         "\\\\! for the character; allowed: a gitignore pattern"),
        ('"cache"', "7", "what: not a text; allowed: a text in quotes"),
        ('"cache"', '""', 'what: "" is not one line of text; allowed: printable text without space around it'),
        ('"somebody"', r'"a\nb"', r'maker: "a\x0ab" is not one line of text; allowed: printable text without space '
         "around it"),
        ('"set-aside"', '"keep"\ndecision = true', 'decision: only what is set aside can need a decision; allowed: '
         'action = "set-aside"'),
        ('"set-aside"', '"do-not-descend"\nguards = { empty = true }', "guards.empty: not known before a folder is "
         "entered; allowed: kind and root_only with do-not-descend"),
        ('"set-aside"', '"do-not-descend"\nguards = { kind = "file" }', "guards.kind: only a directory can be entered; "
         'allowed: "directory", or no kind'),
        ('"set-aside"', '"do-not-descend"\nwith_contents = false', "with_contents: what is not entered has no contents "
         "to judge; allowed: true, or no such key"),
        ('"x*"', '"x"\nguards = { partner = "{rest}" }', 'guards.partner: nothing is left of "x" for {rest}; allowed: '
         "{name} or {stem}, or a pattern with a wildcard"),
    ],
)  # fmt: skip
def test_a_refused_value_is_named(old: str, new: str, line: str) -> None:
    """What cannot be meant is refused with its reason."""
    assert refusal(RULE.replace(old, new)) == f'1.toml: rule 1 "my-rule", {line}'


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("x = 1", "1.toml: x: unknown key; allowed: rule, policy, tolerance"),
        ("rule = 1", "1.toml: rule: not a list of tables; allowed: [[rule]], once for each rule"),
        ("rule = [1]", "1.toml: rule 1: not a table; allowed: a table of keys"),
        ("policy = 1", "1.toml: policy: not a table; allowed: a table of keys"),
        ("[policy.sum]", "1.toml: policy.sum: unknown key; allowed: class, field"),
        (
            "[policy.class]\nmissing = 'bad'",
            '1.toml: policy.class.missing: "bad" is not known; allowed: blocker, inconclusive, attention, note or none',
        ),
        (
            "[policy.field]\nsize = 'note'",
            '1.toml: policy.field.size: "size" is not known; allowed: mtime, directory-mtime, mode, owner, group, acl, '
            "xattrs, streams, hard-links or sparse",
        ),
        (RULE + RULE, '1.toml: rule 2 "my-rule", name: rule 1 has this name; allowed: each name once in a file'),
        ('[[rule]]\nname = "n"\nx = 1\ny = 2', '1.toml: rule 1 "n", pattern: this key is missing (and 6 more)'),
        (
            RULE.replace("my-rule", r"a\u001b[31mb"),
            r'1.toml: rule 1 "a\x1b[31mb", name: "a\x1b[31mb" is not one line of text; '
            "allowed: printable text without space around it",
        ),
        ("a = 1\nb = [[\n\n", "1.toml: not TOML: Invalid value (at line 2, where the file ends); correct that line"),
        ("\n\n= 1", "1.toml: not TOML: Invalid statement (at line 3, column 1); correct that line"),
        ("a = " + "9" * 5000, "1.toml: a number in it has thousands of digits; correct that number"),
        (
            "[tolerance]\nmtime = 0x" + "f" * 5000,
            "1.toml: tolerance.mtime: so large a number is not a duration; allowed: a text such as "
            '"2 s" with ms, s, min, h, at most 24 h',
        ),
        (
            "tolerance.mtime" + ".a" * 5000 + " = 1",
            "1.toml: tolerance.mtime: a table is not a duration; allowed: a text such as "
            '"2 s" with ms, s, min, h, at most 24 h',
        ),
        ("\ufeff= 1", "1.toml: not TOML: Invalid statement (at line 1, column 1); correct that line"),
        ("a = " + "[" * 9999, "1.toml: nested too deeply to be a rule file; name another file"),
    ],
)
def test_a_refused_file_is_named(text: str, line: str) -> None:
    """Whatever a file holds, the refusal is one line that can be shown anywhere."""
    assert refusal(text) == line


def test_text_that_is_not_utf8_is_refused_with_its_line() -> None:
    """TOML is UTF-8 (TOML 1.0.0, Spec)."""
    with pytest.raises(RuleFileError, match=r"^x: not UTF-8 \(line 2\); save it as UTF-8$"):
        read_rules([("x", b"\n\xff")])


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    """A path that is not there, or is a folder, is one line; control characters in it do nothing."""
    with pytest.raises(RuleFileError, match=r"rule file .*no\\x0ane\.toml cannot be read: No such file"):
        load_rules([tmp_path / "no\nne.toml"])
    with pytest.raises(RuleFileError, match="cannot be read: Is a directory"):
        load_rules([tmp_path])


def test_a_later_file_replaces_in_place() -> None:
    """A rule of the same name takes the earlier one's place, others follow, and a policy entry is replaced."""
    policy = "[policy.class]\nmissing = '{0}'\nextra = 'note'\n[policy.field]\nowner = 'attention'\n"
    found = read(
        TWO + policy.format("note"),
        RULE.replace("x*", "y*") + RULE.replace("my-rule", "third") + "[policy.class]\nmissing = 'attention'",
    )
    assert [(rule.name, rule.patterns) for rule in found.rules] == [
        ("my-rule", ("y*",)),
        ("other", ("x*",)),
        ("third", ("x*",)),
    ]
    assert found.policy.classes == {Class.MISSING: Severity.ATTENTION, Class.EXTRA: Severity.NOTE}
    assert found.policy.fields == {Field.OWNER: Severity.ATTENTION}
    assert found.files == ("1.toml", "2.toml")


def test_files_come_after_the_standard(tmp_path: Path) -> None:
    """The rules that ship come first, unless they are not wanted."""
    (tmp_path / "my.toml").write_text(RULE.replace("my-rule", "windows-thumbnail-cache"))
    standard, both = load_rules(), load_rules([tmp_path / "my.toml"])
    assert standard.files == ("standard",)
    assert both.files == ("standard", str(tmp_path / "my.toml"))
    assert [rule.name for rule in both.rules] == [rule.name for rule in standard.rules]
    assert both.digest != standard.digest
    assert [rule.maker for rule in load_rules([tmp_path / "my.toml"], standard=False).rules] == ["somebody"]


def test_an_empty_file_is_no_rules() -> None:
    """A file may hold nothing, or a policy alone."""
    assert read("").rules == ()
    assert not read("").policy
    assert read("[policy.class]\nextra = 'attention'").policy


def test_the_digest_is_of_the_content() -> None:
    """Labels, comments, spelling and the policy's order do not change it; it is 32 bytes as hex."""
    spelled = "# a comment\n" + RULE.replace('"x*"', '["x*"]') + "guards = { max_size = '1 KiB' }"
    policy = "\n[policy.field]\nowner = 'note'\nmode = 'note'\n"
    other = "\n[policy.field]\nmode = 'note'\nowner = 'note'\n"
    one = read_rules([("a", (RULE + "guards = { max_size = 1024 }" + policy).encode())])
    two = read_rules([("b", (spelled + other).encode())])
    assert one.digest == two.digest
    assert len(bytes.fromhex(one.digest)) == 32


@pytest.mark.parametrize(
    "text",
    [
        RULE.replace("x*", "y*"),
        RULE.replace("cache", "store"),
        RULE.replace("invented", "another"),
        RULE.replace("set-aside", "keep"),
        RULE + "ignore_case = true",
        RULE + "decision = true",
        RULE + "with_contents = false",
        RULE + "guards = { max_size = 0 }",
        RULE + "guards = { leading_bytes = '00' }",
        RULE + "guards = { partner = 'y' }",
        RULE + "guards = { empty = true }",
        RULE + "guards = { root_only = true }",
        RULE + "guards = { kind = 'file' }",
        RULE + "[policy.class]\nmissing = 'note'",
        RULE + "[policy.field]\nmode = 'note'",
        TWO,
        "",
    ],
)
def test_any_change_changes_the_digest(text: str) -> None:
    """No two sets of rules that could decide or explain differently have one digest."""
    assert read(text).digest != read(RULE).digest


def test_the_digest_stays_what_it_was() -> None:
    """A sign-off names a digest: the way it is computed does not change from version to version."""
    assert read(RULE).digest == "dabad655977d089ba8786a6647b2c44fba71aafa801ca4289f17d456d3943678"


def test_the_order_of_rules_is_part_of_the_digest() -> None:
    """Later rules are asked first, so order is content."""
    assert read(TWO).digest != read(RULE.replace("my-rule", "other") + RULE).digest


def test_what_ships_is_the_same_however_it_is_read() -> None:
    """The rules that ship are read without the validation that a user's get: they pass it, and come out the same."""
    validated = read_rules([("standard", shipped_content())])
    assert validated.rules == shipped_rules()
    assert validated == load_rules()
    assert validated.digest == load_rules().digest


def test_a_set_survives_the_way_to_another_process() -> None:
    """A rule set can be pickled, and is equal and has the same digest afterwards."""
    found = load_rules()
    again = pickle.loads(pickle.dumps(found))
    assert again == found
    assert again.digest == found.digest
