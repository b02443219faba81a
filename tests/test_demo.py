"""The sample trees: what is planted is what is declared, and it lies on disk as declared."""

from __future__ import annotations

import os
import re
import shutil
import stat
import tempfile
from contextlib import ExitStack
from multiprocessing import active_children
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

from verifier import demo
from verifier.classes import Cause, Class, Field, Side
from verifier.demo import PlantedDifference, lay_out, sample_trees_folder, somebody_at_work
from verifier.demo.expected import differences, entries_of
from verifier.demo.planting import Plant, Planting, load_planting
from verifier.demo.trees import Node, Tree, grow
from verifier.errors import CannotRun
from verifier.rules.load import load_rules
from verifier.rules.matcher import Candidate, Matcher
from verifier.tree.entry import Kind, kind_of
from verifier.tree.names import to_bytes, to_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import datetime

SAMPLES: Final = sample_trees_folder()
NOT_PLANTED: Final = {Class.UNPROVEN}
"""Shows only where nothing is read, which no tree can bring about."""
LARGEST_BYTES: Final = 2_000_000
HEAD_BYTES: Final = 1_000_000
"""A larger file, of reserved space, is compared by its size and by what it holds in its first bytes."""
NOBODY: Final = 65534
"""A user and group without rights; any number but 0 would do."""

Sides = dict[Side, Tree]


@pytest.fixture(scope="module")
def planting() -> Planting:
    """Return the shipped table."""
    return load_planting(SAMPLES / "planting.toml")


@pytest.fixture(scope="module")
def sides(planting: Planting) -> Sides:
    """Return both shipped trees as they are to be laid out."""
    return grow(SAMPLES / "old", planting)


def on_disk(root: Path) -> dict[str, Node]:
    """Read a tree back without any of this project's walking; a link's mode is the system's affair."""
    found: dict[str, Node] = {}
    for where in root.rglob("*"):
        facts = where.lstat()
        kind, mode, content, reserve = kind_of(facts.st_mode), stat.S_IMODE(facts.st_mode), b"", 0
        if kind is Kind.LINK:
            mode, content = 0, os.fsencode(where.readlink())
        elif kind is Kind.FILE:
            where.chmod(0o600)
            content = head_of(where)
            reserve = facts.st_size if facts.st_size > HEAD_BYTES else 0
            content = content.rstrip(b"\0") if reserve else content
        path = to_text(os.fsencode(where.relative_to(root)))
        found[path] = Node(kind, facts.st_mtime_ns, mode, content, reserve)
    return found


def head_of(path: Path) -> bytes:
    """Return a file's first bytes."""
    with path.open("rb") as file:
        return file.read(HEAD_BYTES)


def declared(tree: Tree) -> dict[str, Node]:
    """Return a tree's nodes as `on_disk` gives them."""
    return {
        path: Node(Kind.LINK, node.mtime_ns, 0, node.content) if node.kind is Kind.LINK else node
        for path, node in tree.nodes.items()
    }


# ---- What is planted


def test_every_class_and_cause_is_planted(planting: Planting) -> None:
    """Whoever runs the demo sees every class and every cause at least once."""
    assert {plant.cls for plant in planting.plants} == set(Class) - NOT_PLANTED
    assert {plant.cause for plant in planting.plants} - {None} == set(Cause) - {Cause.NOT_REPEATED}


def test_nothing_differs_but_what_is_planted(planting: Planting, sides: Sides) -> None:
    """Every entry that no plant accounts for is the same on both sides, in everything that is compared."""
    loose = []
    for tree in sides.values():
        owned = {path for entries in entries_of(tree).values() for path in entries.values()}
        loose.append({path: node for path, node in tree.nodes.items() if path not in owned})
    assert loose[0] == loose[1]
    assert len(loose[0]) > 2 * len(planting.plants), "most of a move goes well"


def test_what_is_called_identical_is(planting: Planting, sides: Sides) -> None:
    """The oddities that must not be reported are the same on both sides."""
    odd = [plant for plant in planting.plants if plant.cls is Class.IDENTICAL]
    assert odd
    for plant in odd:
        old, new = (
            {path: sides[side].nodes[path] for path in entries_of(sides[side])[plant.path].values()} for side in Side
        )
        assert old == new


def _is_missing(old: Node | None, new: Node | None) -> bool:
    return old is not None and new is None


def _is_extra(old: Node | None, new: Node | None) -> bool:
    return old is None and new is not None


def _same_content(old: Node | None, new: Node | None) -> bool:
    return old is not None and new is not None and (old.kind, old.content) == (new.kind, new.content)


def _other_content(old: Node | None, new: Node | None) -> bool:
    return (
        old is not None
        and new is not None
        and (old.kind is new.kind is not Kind.DIRECTORY)
        and old.content != new.content
    )


def _other_kind(old: Node | None, new: Node | None) -> bool:
    return old is not None and new is not None and old.kind is not new.kind


def _anything(old: Node | None, new: Node | None) -> bool:
    return old is not None or new is not None


MEANING: Final[dict[Class, Callable[[Node | None, Node | None], bool]]] = {
    Class.CLUTTER: _anything,
    Class.MISSING: _is_missing,
    Class.CONTENT_CHANGED: _other_content,
    Class.KIND_CHANGED: _other_kind,
    Class.UNREADABLE: _same_content,
    Class.UNSETTLED: _same_content,
    Class.NAME_ALTERED: _same_content,
    Class.RELOCATED: _same_content,
    Class.METADATA_ONLY: _same_content,
    Class.EXTRA: _is_extra,
    Class.DRIFT: _anything,
}


def test_each_difference_is_what_its_class_means(planting: Planting, sides: Sides) -> None:
    """The table cannot call a difference something that its two sides do not bear out."""
    for found in differences(planting, sides):
        old, new = nodes_of(found, sides)
        assert MEANING[found.cls](old, new), found
        moved = found.cls in (Class.NAME_ALTERED, Class.RELOCATED)
        if old is not None and new is not None:
            assert (found.old_path != found.new_path) is moved, found
        same_metadata = old is not None and new is not None and (old.mode, old.mtime_ns) == (new.mode, new.mtime_ns)
        assert bool(found.fields) is (found.cls in (Class.METADATA_ONLY, Class.UNREADABLE)), found
        if found.fields:
            assert not same_metadata, found


def nodes_of(found: PlantedDifference, sides: Sides) -> tuple[Node | None, Node | None]:
    """Return both sides of a difference."""
    old, new = sides[Side.OLD].nodes, sides[Side.NEW].nodes
    return old[found.old_path] if found.old_path else None, new[found.new_path] if found.new_path else None


def first_cause(old: Node, new: Node) -> Cause:
    """Ask the questions of the contract in their order, naively."""
    longest = max((len(run) for run in re.findall(rb"\0+", new.content)), default=0)
    agree = all(b in (a, 0) for a, b in zip(old.content, new.content, strict=False))
    same_size = len(old.content) == len(new.content)
    if not new.content:
        return Cause.EMPTY
    if len(new.content) < len(old.content) and old.content.startswith(new.content):
        return Cause.TRUNCATED
    if same_size and agree and longest >= 4096 and old.content.count(0) < new.content.count(0):
        return Cause.ZERO_FILLED
    if old.mtime_ns == new.mtime_ns:
        return Cause.SILENT if same_size else Cause.OTHER
    return Cause.STALE if new.mtime_ns < old.mtime_ns else Cause.NEWER


def test_each_cause_is_the_first_that_holds(planting: Planting, sides: Sides) -> None:
    """A planted damage has the cause that the contract's order gives it, and no earlier one."""
    changed = [found for found in differences(planting, sides) if found.cls is Class.CONTENT_CHANGED]
    assert changed
    for found in changed:
        old, new = nodes_of(found, sides)
        assert old is not None
        assert new is not None
        assert first_cause(old, new) is found.cause, found.old_path


def test_the_gates_catch_the_drift_and_nothing_else(planting: Planting, sides: Sides) -> None:
    """With both gates given, exactly the planted drift changed after the gate of its side."""
    gates = {side: gate.timestamp() * 1e9 for side, gate in gates_of(planting).items()}
    late = {
        (side, path)
        for side in Side
        for path, node in sides[side].nodes.items()
        if node.mtime_ns > gates[side] and node.kind is not Kind.DIRECTORY
    }
    drift = [found for found in differences(planting, sides) if found.cls is Class.DRIFT]
    assert {side for side, _ in late} == set(Side)
    assert {path for _, path in late} == {found.old_path or found.new_path for found in drift}


def gates_of(planting: Planting) -> dict[Side, datetime]:
    """Return each side's time gate."""
    return {Side.OLD: planting.frozen_at, Side.NEW: planting.live_since}


def test_what_is_lost_is_nowhere_else(planting: Planting, sides: Sides) -> None:
    """Missing content is not on the new side under any name, so it cannot be taken for moved."""
    kept = {node.content for node in sides[Side.NEW].nodes.values() if node.kind is Kind.FILE}
    lost = [found for found in differences(planting, sides) if found.cls is Class.MISSING]
    for found in lost:
        old, _ = nodes_of(found, sides)
        assert old is not None
        assert old.kind is Kind.DIRECTORY or old.content not in kept


class Around:
    """A tree as rules see it."""

    def __init__(self, tree: Tree) -> None:
        self._nodes = tree.nodes

    def exists(self, path: str) -> bool:
        """Tell whether a path is there."""
        return path in self._nodes

    def is_empty(self, path: str) -> bool:
        """Tell whether a folder has nothing in it."""
        return not any(inside.startswith(f"{path}/") for inside in self._nodes)

    def candidate(self, path: str) -> Candidate | None:
        """Return what a rule may look at."""
        if path not in self._nodes:
            return None
        node = self._nodes[path]
        return Candidate(path, node.kind.value, node.size, node.content[:16])


@pytest.mark.parametrize("side", list(Side))
def test_the_rules_that_ship_claim_the_planted_clutter_and_nothing_else(
    side: Side, planting: Planting, sides: Sides
) -> None:
    """Clutter is planted so that its rule's guards hold, and data so that no rule claims it."""
    matcher, around = Matcher(load_rules()), Around(sides[side])
    claimed = {}
    for path in sides[side].nodes:
        candidate = around.candidate(path)
        assert candidate is not None
        claim = matcher.claim(candidate, around)
        if claim is not None and claim.holds:
            claimed[path] = claim.rule.name
    planted = {
        (found.old_path if side is Side.OLD else found.new_path): found.rule
        for found in differences(planting, sides)
        if found.cls is Class.CLUTTER
    }
    planted.pop(None, None)  # clutter of the other side only
    assert claimed == planted


def test_data_named_like_clutter_is_refused_with_a_reason(sides: Sides) -> None:
    """The planted impostor is asked about by a rule and kept as data, and the reason can be told."""
    around = Around(sides[Side.OLD])
    candidate = around.candidate("herbarium/seed-photos/Thumbs.db")
    assert candidate is not None
    claim = Matcher(load_rules()).claim(candidate, around)
    assert claim is not None
    assert not claim.holds
    assert claim.why


# ---- What git holds


def test_git_can_hold_the_samples() -> None:
    """The checkout is small, and its names are plain ASCII without twins in letter case or hidden names."""
    files = [path for path in SAMPLES.rglob("*") if path.is_file() and not path.is_symlink()]
    assert sum(path.stat().st_size for path in files) < LARGEST_BYTES
    assert 60 <= len(files) <= 120
    names = [path.relative_to(SAMPLES).as_posix() for path in files]
    assert all(re.fullmatch(r"[A-Za-z0-9_-][A-Za-z0-9._/-]*", name) for name in names)
    assert len({name.lower() for name in names}) == len(names)
    assert not any(path.is_symlink() for path in SAMPLES.rglob("*"))


def expected_row(plant: Plant, planting: Planting, sides: Sides) -> str:
    """Return the line that the samples' README has to have for a plant."""
    found = [f for f in differences(planting, sides) if f.plant is plant]
    old, new = (sides[side].places[plant.path] for side in Side)
    is_folder = any(
        tree.nodes[tree.places[plant.path]].kind is Kind.DIRECTORY
        for tree in sides.values()
        if tree.places[plant.path] in tree.nodes and plant.cls is not Class.KIND_CHANGED
    )
    path = " → ".join(dict.fromkeys(f"`{plain(p)}{'/' if is_folder else ''}`" for p in (old, new)))
    detail = plant.cause or plant.rule or (", ".join(found[0].fields) if plant.if_readable is None else None)
    verdict = f"`{plant.cls}`" + (f": `{detail}`" if detail else "")
    if plant.if_readable is not None:
        verdict += f", or `{plant.if_readable}` for a user who may read everything"
    return f"| {path} | {plant.story} | {verdict} | {len(found)} |"


def plain(path: str) -> str:
    r"""Return a path with every byte that is not ASCII as ``\xNN``: names that look alike then do not."""
    return to_bytes(path).decode("ascii", errors="backslashreplace")


def test_the_readme_lists_what_is_planted(planting: Planting, sides: Sides) -> None:
    """The samples' README has one true line for each planted difference, in the table's order."""
    rows = [expected_row(plant, planting, sides) for plant in planting.plants if plant.cls is not Class.IDENTICAL]
    text = (SAMPLES / "README.md").read_text(encoding="utf-8")
    assert [line for line in text.splitlines() if line.startswith("| `")] == rows
    found = differences(planting, sides)
    assert f"{len(found)} findings" in " ".join(text.split())


# ---- What lies on disk


def test_the_layout_is_exactly_the_declared_tree(tmp_path: Path, sides: Sides) -> None:
    """Names, kinds, bytes, targets, modes and times on disk are the declared ones, to the nanosecond."""
    trees = lay_out(tmp_path)
    for root, side in ((trees.old, Side.OLD), (trees.new, Side.NEW)):
        assert root.stat().st_mtime_ns == load_planting(SAMPLES / "planting.toml").times[""]
        assert on_disk(root) == declared(sides[side])


def test_laying_out_twice_makes_the_same_trees(tmp_path: Path) -> None:
    """Two layouts cannot be told apart by bytes, modes or times."""
    first, second = lay_out(tmp_path / "first"), lay_out(tmp_path / "second")
    assert first.expected == second.expected
    assert on_disk(first.old) == on_disk(second.old)
    assert on_disk(first.new) == on_disk(second.new)


def test_owners_do_not_differ(tmp_path: Path) -> None:
    """Both sides belong to one user and group, so that owners are no difference."""
    trees = lay_out(tmp_path)
    for old, new in ((trees.old, trees.new), (trees.old / "admin", trees.new / "admin")):
        assert (old.stat().st_uid, old.stat().st_gid) == (new.stat().st_uid, new.stat().st_gid)


def test_the_unreadable_file_is_what_this_user_meets(tmp_path: Path) -> None:
    """A file without permissions is unreadable; to a user who may read it all the same, its mode differs."""
    trees = lay_out(tmp_path)
    (found,) = [f for f in trees.expected if f.plant.cls is Class.UNREADABLE]
    assert found.new_path is not None
    try:
        (trees.new / found.new_path).read_bytes()
    except PermissionError:
        assert (found.cls, found.fields) == (Class.UNREADABLE, ())
    else:
        assert (found.cls, found.fields) == (Class.METADATA_ONLY, (Field.MODE,))


@pytest.fixture
def as_nobody() -> Iterator[Path]:
    """Become an ordinary user for a test and return a folder of theirs."""
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        pytest.skip("only root can become somebody else")
    folder, groups, group = Path(tempfile.mkdtemp()), os.getgroups(), os.getegid()
    # The checkout itself may lie where only root can go.
    shutil.copytree(SAMPLES, folder / "samples")
    for path in (*folder.rglob("*"), folder):
        os.chown(path, NOBODY, NOBODY)
    os.setgroups([])
    os.setegid(NOBODY)
    os.seteuid(NOBODY)
    try:
        yield folder
        shutil.rmtree(folder)
    finally:
        os.seteuid(0)
        os.setegid(group)
        os.setgroups(groups)


@pytest.mark.real
def test_an_ordinary_user_can_lay_the_trees_out(as_nobody: Path) -> None:
    """Nothing in the layout needs root, and an ordinary user meets the unreadable file."""
    trees = lay_out(as_nobody / "scratch", as_nobody / "samples")
    (found,) = [f for f in trees.expected if f.plant.cls is Class.UNREADABLE]
    assert (found.cls, found.fields) == (Class.UNREADABLE, ())


def test_an_occupied_scratch_folder_is_left_alone(tmp_path: Path) -> None:
    """What already lies there is not touched: one line says so."""
    (tmp_path / "old").mkdir()
    (tmp_path / "old" / "mine.txt").write_text("mine")
    with pytest.raises(CannotRun, match="is already there"):
        lay_out(tmp_path)
    assert [path.name for path in tmp_path.rglob("*")] == ["old", "mine.txt"]


def test_a_file_system_without_links_is_said_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a link cannot be made, one line names the link and what to do."""

    def refuse(self: Path, target: str) -> None:
        raise PermissionError(1, "Operation not permitted", str(self))

    monkeypatch.setattr(Path, "symlink_to", refuse)
    with pytest.raises(CannotRun) as caught:
        lay_out(tmp_path)
    assert one_line(caught.value)
    assert "climate/latest.csv (Operation not permitted)" in str(caught.value)


def test_a_file_system_that_changes_names_is_said_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a name becomes another one, as where letters are stored decomposed, one line says so."""
    write = Path.write_bytes

    def decomposing(self: Path, data: bytes) -> int:
        return write(self.with_name(self.name.replace("é", "e\u0301")), data)

    monkeypatch.setattr(Path, "write_bytes", decomposing)
    with pytest.raises(CannotRun) as caught:
        lay_out(tmp_path)
    assert one_line(caught.value)
    assert "the name became another one" in str(caught.value)


def one_line(error: CannotRun) -> bool:
    """Tell whether an error is one line for a person that ends the program with code 4."""
    return "\n" not in str(error) and error.exit_code == 4


# ---- Somebody at work


def test_somebody_is_at_work_for_the_whole_block(tmp_path: Path) -> None:
    """The restless file grows from before the block begins, keeps growing in it, and stops with it."""
    trees = lay_out(tmp_path)
    (restless,) = trees.restless
    before, size = head_of(restless), restless.stat().st_size
    with somebody_at_work(trees):
        first = restless.stat().st_size
        assert first > size
        while restless.stat().st_size == first:  # ends: somebody is writing
            pass
    assert head_of(restless) == before
    assert active_children() == []


def test_nobody_is_left_behind_when_the_block_fails(tmp_path: Path) -> None:
    """An error in the block ends the writing as well, and comes through."""
    trees = lay_out(tmp_path)
    with pytest.raises(KeyError), somebody_at_work(trees):
        raise KeyError
    assert active_children() == []


def test_a_writer_that_cannot_write_is_said_so(tmp_path: Path) -> None:
    """Where the restless file cannot be opened, the block does not begin and one line says why."""
    trees = lay_out(tmp_path)
    trees.restless[0].unlink()
    trees.restless[0].mkdir()
    with ExitStack() as stack:
        with pytest.raises(CannotRun) as caught:
            stack.enter_context(somebody_at_work(trees))
        assert one_line(caught.value)


# ---- A table with a mistake

GOOD: Final = """\
frozen_at = 2024-03-01T18:00:00Z
live_since = 2024-03-04T07:00:00Z
[times]
"" = 2023-11-06T08:20:00Z
[[plants]]
path = "note.txt"
class = "missing"
story = "Left behind."
new.remove = true
"""


def samples_with(folder: Path, table: str) -> Path:
    """Write a small set of samples."""
    (folder / "old").mkdir(parents=True)
    (folder / "old" / "note.txt").write_text("one note\n")
    (folder / "old" / "other.txt").write_text("another note\n")
    (folder / "planting.toml").write_text(table)
    return folder


def test_another_table_can_be_planted(tmp_path: Path) -> None:
    """The smallest good table is accepted: what the next tests change in it is the mistake."""
    trees = lay_out(tmp_path / "scratch", samples_with(tmp_path / "samples", GOOD))
    assert [(f.cls, f.old_path, f.new_path) for f in trees.expected] == [(Class.MISSING, "note.txt", None)]


REMOVE: Final = "remove = true"
MISTAKES: Final = {
    "not TOML": ("[[plants]]", "[[plants]", "cannot be read"),
    "gate not given": ("frozen_at", "frozen", "frozen_at is not given"),
    "gate without zone": ("18:00:00Z", "18:00:00", "frozen_at has no time zone"),
    "no default time": ('"" = 2', "admin = 2", "no time for everything else"),
    "unknown change": ("remove", "removed", "plant 1 (note.txt): new: unknown key 'removed'"),
    "unknown key": ("story", 'tail = ""\nstory', "plant 1 (note.txt): unknown key 'tail'"),
    "no story": ("story", "tale", "story is not given"),
    "unknown class": ('"missing"', '"lost"', "class is 'lost', which is none of identical, "),
    "no class": ('class = "missing"\n', "", "class is not given"),
    "clutter without rule": ('"missing"', '"clutter"', "rule has to go with class clutter"),
    "cause of a missing file": ("story", 'cause = "empty"\nstory', "cause has to go with"),
    "number for truth value": ("true", "1", "remove is 1, not a truth value"),
    "truth value for number": (REMOVE, "truncate = true", "truncate is True, not a number"),
    "below zero": (REMOVE, "truncate = -1", "truncate is -1, which is below zero"),
    "half a range": (REMOVE, "zero = [1]", "zero is [1], not two of number"),
    "not hexadecimal": (REMOVE, 'hex = "0g"', "hex is '0g'"),
    "folder in a folder": (REMOVE, "folder.a.txt = 'x'", "has to be quoted"),
    "copy of nothing": (REMOVE, 'copy_of = "nota.txt"', "nota.txt is not there to be copied"),
    "path out of the tree": ("note.txt", "../note.txt", "is no path below the root"),
    "move to nowhere": (REMOVE, 'move_to = ""', "is no path below the root"),
    "move onto another": (REMOVE, 'move_to = "other.txt"', "other.txt is already there"),
    "nothing there": ("note.txt", "nota.txt", "there is nothing to change"),
    "below a file": ('"note.txt"', '"note.txt/in"\nold.text = ""', "note.txt is not a folder"),
    "edit without effect": (REMOVE, "truncate = 99", "its content does not change"),
}


@pytest.mark.parametrize(("find", "put", "says"), MISTAKES.values(), ids=MISTAKES.keys())
def test_a_mistake_in_the_table_is_one_line(find: str, put: str, says: str, tmp_path: Path) -> None:
    """Each mistake is told in one line that names the place and the key; nothing is laid out."""
    assert find in GOOD
    samples = samples_with(tmp_path / "samples", GOOD.replace(find, put, 1))
    with pytest.raises(CannotRun) as caught:
        lay_out(tmp_path / "scratch", samples)
    assert one_line(caught.value)
    assert "planting.toml" in str(caught.value)
    assert says in str(caught.value)
    assert not (tmp_path / "scratch").exists()


def test_a_place_is_planted_once(tmp_path: Path) -> None:
    """Two plants at one place would make it open which of them is found."""
    table = GOOD + GOOD[GOOD.index("[[plants]]") :]
    with pytest.raises(CannotRun, match=r"note\.txt is planted twice"):
        lay_out(tmp_path / "scratch", samples_with(tmp_path / "samples", table))


def test_samples_that_are_not_there_are_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A package without its samples says so instead of checking nothing."""
    monkeypatch.setattr(demo.layout, "__file__", str(tmp_path / "verifier" / "demo" / "layout.py"))
    with pytest.raises(CannotRun) as caught:
        sample_trees_folder()
    assert one_line(caught.value)
    (tmp_path / "verifier" / "sample_trees").mkdir(parents=True)
    (tmp_path / "verifier" / "sample_trees" / "planting.toml").touch()
    assert sample_trees_folder() == tmp_path / "verifier" / "sample_trees"


def test_no_samples_are_not_an_empty_success(tmp_path: Path) -> None:
    """Without files there is nothing to check, and that is an error."""
    (tmp_path / "planting.toml").write_text(GOOD)
    with pytest.raises(CannotRun, match="the sample trees are empty"):
        lay_out(tmp_path / "scratch", tmp_path)


def test_what_a_desktop_leaves_in_the_checkout_is_not_laid_out(tmp_path: Path) -> None:
    """A hidden file that appeared in the checkout is not part of the samples."""
    samples = samples_with(tmp_path / "samples", GOOD)
    (samples / "old" / ".DS_Store").write_bytes(b"\0\0\0\1Bud1")
    assert [path.name for path in lay_out(tmp_path / "scratch", samples).new.iterdir()] == ["other.txt"]
