"""Copies on file systems of every kind: no false alarm on a faithful one, and every fault found on a damaged one."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections import Counter
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

from tests.check.copies import NO_FIELDS, Checked, Copy, checked
from tests.check.original import (
    ACCENTED,
    FOLDER_VIEW,
    LOST_FOLDER,
    NEW_CLUTTER,
    NOTE,
    PLANS,
    SECOND_NS,
    THUMBNAILS,
    TWINS,
    USUAL_NS,
    write_original,
)
from tests.check.places import (
    PLACES,
    SQUASHFS,
    Paths,
    Place,
    Told,
    decomposed,
    notes,
    rename_all,
    squash,
    tar_plain,
    with_added_code,
)
from tests.check.planting import FAULTS, Fault, flip_a_bit
from tests.tree.images import HELPERS, KINDS, image_for, mounted
from verifier.classes import Cause, Class, Field, Severity, Side, VerdictKind
from verifier.tree.names import shown, to_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

FOLDS: Final = Path("/sys/fs/ext4/features/casefold").exists()
"""Whether this system's ext4 has folders that fold names (CONFIG_UNICODE): no package adds that."""


GROUND: Final = ("losetup", "mkfs.ext4")
"""Programs that every original needs."""
real = pytest.mark.real(mounts=True, programs=GROUND, paths=("/dev/loop-control",))


def a_place(name: str, *marks: pytest.MarkDecorator) -> object:
    """Return a parameter that says what it needs."""
    kind = PLACES[name].kind
    helper = HELPERS.get(kind.type_name)
    programs = (*GROUND, *kind.make[:1], *PLACES[name].programs, *((helper,) if helper else ()))
    paths = ("/dev/loop-control", *(("/dev/fuse",) if helper else ()))
    return pytest.param(name, id=name, marks=(pytest.mark.real(mounts=True, programs=programs, paths=paths), *marks))


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Mount an ext4 for the originals."""
    base = tmp_path_factory.mktemp("ground")
    with mounted(KINDS["ext4"], image_for(KINDS["ext4"], base)) as point:
        yield point


@pytest.fixture(scope="module")
def copy(request: pytest.FixtureRequest, ground: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Copy]:
    """Copy the original to a place, and check it there; skip where the kernel has no such file system."""
    place = PLACES[request.param]
    if "casefold" in place.kind.make and not FOLDS:
        pytest.skip("needs a kernel whose ext4 folds names (CONFIG_UNICODE)")
    with ExitStack() as stay:
        try:
            yield Copy(place, Path(tempfile.mkdtemp(dir=ground)), tmp_path_factory.mktemp("place"), stay)
        except subprocess.CalledProcessError as error:
            if "unknown filesystem type" in str(error.stderr):
                pytest.skip(f"needs a kernel with {place.kind.type_name}")
            raise


every_place = pytest.mark.parametrize("copy", [a_place(name) for name in PLACES], indirect=True, scope="module")


def faithful(copy: Copy) -> dict[Paths, Told]:
    """Return what has to be said of a faithful copy, and nothing else."""
    renamed, noted = copy.place.renamed, copy.noted
    found: dict[Paths, Told] = {}
    for path in copy.tree.paths:
        fields = noted.get(path, NO_FIELDS)
        if renamed(path) != path:
            found[path, renamed(path)] = (Class.NAME_ALTERED, None, fields)
        elif fields:
            found[path, path] = (Class.METADATA_ONLY, None, fields)
    clutter: list[Paths] = [(THUMBNAILS, None), (None, renamed(NEW_CLUTTER))]
    if renamed(FOLDER_VIEW) != FOLDER_VIEW:
        clutter += [(FOLDER_VIEW, None), (None, renamed(FOLDER_VIEW))]
    elif all(path in noted for path in copy.tree.files):
        clutter += [(FOLDER_VIEW, FOLDER_VIEW)]
    return found | dict.fromkeys(clutter, (Class.CLUTTER, None, NO_FIELDS))


def _as_text(found: dict[Paths, Told]) -> dict[Paths, Told]:
    """Write paths as manifests do."""
    return {(_text(old), _text(new)): told for (old, new), told in found.items()}


def _text(path: str | None) -> str | None:
    return None if path is None else to_text(path.encode())


def without_alarms(found: dict[Paths, Told], place: Place) -> dict[Paths, Told]:
    """Leave out what is known to be said wrongly, and what should be said in its place."""
    alarms = place.alarms.findings if place.alarms else {}
    return {paths: told for paths, told in found.items() if paths not in alarms}


def told_of(found: Checked, place: Place) -> dict[Paths, Told]:
    """Return what was said, but for what is known to be wrong.

    Where there are no streams an attribute counts as one, whichever of both it is called: that has a test of its own.
    """
    told = without_alarms(found.told, place)
    if place.attributes is Field.STREAMS:
        return told
    return {
        paths: (cls, cause, frozenset(Field.XATTRS if one is Field.STREAMS else one for one in fields))
        for paths, (cls, cause, fields) in told.items()
    }


@every_place
def test_a_faithful_copy_raises_no_alarm(copy: Copy) -> None:
    """It is trusted; what the target or the tool cannot keep is noted, as one fact where it is everywhere, and no more.

    What is compared, and why the rest is not, is what the sources of `tests.check.places` say about both sides.
    """
    place, context = copy.place, copy.faithful.context
    assert (context.verdict.kind, context.exit_code) == (VerdictKind.TRUSTWORTHY, 0)
    assert all(context.sides[side].balanced for side in Side)
    left_out = dict(context.run["not_compared"])
    del left_out[Field.DIRECTORY_MTIME]
    assert {name: why for name, why in left_out.items() if name in list(Field)} == place.not_compared
    assert told_of(copy.faithful, place) == without_alarms(_as_text(faithful(copy)), place)
    for one in copy.faithful.findings:
        grave = one.cls == Class.NAME_ALTERED or {Field.ACL, Field.STREAMS} & set((one.fields or "").split(";"))
        assert one.severity == (Severity.ATTENTION if grave else Severity.NOTE)
    facts = Counter((one.kind, one.tally.entries) for one in context.systematic if one.kind != "folder-times")
    assert facts - Counter(place.alarms.facts if place.alarms else ()) == Counter(place.everywhere(copy.tree))


@every_place
def test_every_fault_on_a_copy_is_found_and_nothing_else(copy: Copy) -> None:
    """Each planted fault is found in its class, with its cause or field; of the rest is said what was said before."""
    place = copy.place
    faults = [fault for fault in FAULTS if _shows(fault, place)]
    expected = faithful(copy)
    for fault in faults:
        _expect(fault, copy, expected)
    copy.damage(faults)
    found = copy.check()
    assert told_of(found, place) == without_alarms(_as_text(expected), place)
    assert (found.context.verdict.kind, found.context.exit_code) == (VerdictKind.NOT_TRUSTWORTHY, 1)
    assert {one.severity for one in found.findings if one.cls in (Class.MISSING, Class.CONTENT_CHANGED)} == {"blocker"}
    lost = {one.old_path: one.group_path for one in found.findings if one.cls == Class.MISSING}
    assert {path for path, group in lost.items() if group == LOST_FOLDER} == set(lost) - {PLANS[5]}


def _shows(fault: Fault, place: Place) -> bool:
    """Tell whether a fault can be planted at a place, and can be told there from what the copy did."""
    if fault.without in place.without:
        return False
    return fault.field is None or _field(fault, place) in place.carried


def _field(fault: Fault, place: Place) -> Field | None:
    return place.attributes if fault.field is Field.XATTRS else fault.field


def _expect(fault: Fault, copy: Copy, expected: dict[Paths, Told]) -> None:
    """Put what has to be said of a fault in the place of what would be said without it."""
    noted = copy.noted
    for path in (fault.path, *fault.also):
        fields = noted.get(path, NO_FIELDS)
        expected.pop((path, path), None)
        match fault.cls:
            case Class.MISSING:
                inside = [one for one in copy.tree.paths if one.startswith(f"{path}/")]
                for one in (path, *inside):
                    expected.pop((one, one), None)
                    expected[one, None] = (Class.MISSING, None, NO_FIELDS)
            case Class.RELOCATED:
                expected[path, fault.moved_to] = (Class.RELOCATED, None, fields)
            case Class.METADATA_ONLY:
                field = _field(fault, copy.place)
                assert field is not None
                expected[path, path] = (Class.METADATA_ONLY, None, fields | {field})
            case _:
                cause = copy.place.flip if fault.cause is Cause.SILENT else fault.cause
                expected[path, path] = (fault.cls, cause, NO_FIELDS)


ALARMING: Final = [
    a_place(name, pytest.mark.xfail(strict=True, raises=AssertionError, reason=place.alarms.why))
    for name, place in PLACES.items()
    if place.alarms is not None
]


@pytest.mark.parametrize("copy", ALARMING, indirect=True, scope="module")
def test_nothing_is_noted_but_what_is_lost(copy: Copy) -> None:
    """Of what a target cannot hold, or holds in another way, a faithful copy has no note of its own."""
    alarms = copy.place.alarms
    assert alarms is not None
    assert not {paths for paths, told in copy.faithful.told.items() if alarms.findings.get(paths) == told}


@pytest.mark.parametrize("copy", [a_place("ext4 by cp -r")], indirect=True, scope="module")
def test_times_that_the_copy_set_anew_are_one_fact(copy: Copy) -> None:
    """A copy that keeps no times is told in one line, and not by every file."""
    facts = [one for one in copy.faithful.context.systematic if "times" in one.kind and one.kind != "folder-times"]
    assert [one.tally.entries for one in facts] == [len(copy.tree.files)]


@real
def test_an_attribute_is_no_stream_where_there_are_none(ground: Path) -> None:
    """On ext4 streams are those that a file server keeps, user.DosStream.* (vfs_streams_xattr(8)), and no others."""
    old, new = (ground / "attributes" / side for side in Side)
    for side in (old, new):
        side.mkdir(parents=True)
        (side / "letter.txt").write_bytes(b"text")
        os.utime(side / "letter.txt", ns=(USUAL_NS[0], USUAL_NS[0]))
    os.setxattr(old / "letter.txt", NOTE, b"lost")
    assert checked(old, new).told == {("letter.txt", "letter.txt"): notes(Field.XATTRS)}


@real
@pytest.mark.real(programs=("mksquashfs",))
def test_a_few_files_on_squashfs_are_identical(ground: Path, tmp_path: Path) -> None:
    """The step of its times is known (squashfs_fs.h: mtime is a number of seconds), however few files there are."""
    folder = ground / "a few"
    folder.mkdir()
    for turn, time_ns in enumerate(USUAL_NS):
        (folder / f"{turn}.txt").write_text(f"file {turn}")
        os.utime(folder / f"{turn}.txt", ns=(time_ns, time_ns))
    squash(folder, tmp_path / "image")
    with mounted(SQUASHFS, tmp_path / "image") as point:
        assert checked(folder, point).told == {}


@real
def test_one_later_file_does_not_hide_that_times_were_cut(ground: Path) -> None:
    """A tool cut all times to whole seconds; that somebody has written a file since makes none of them a difference."""
    base = Path(tempfile.mkdtemp(dir=ground))
    write_original(base / "old")
    tar_plain(base / "old", base / "new")
    (base / "new" / "later.txt").write_bytes(b"a new file")
    os.utime(base / "new" / "later.txt", ns=(USUAL_NS[0], USUAL_NS[0]))
    assert [one.old_path for one in checked(base / "old", base / "new").findings if "mtime" in (one.fields or "")] == []


# ---- Under an altered name

ALTERED: Final[dict[str, tuple[str, Callable[[str], str]]]] = {
    "decomposed": (ACCENTED[0], decomposed),
    "in lower case": ("Photos/IMG_0001.JPG", str.lower),
    "with a stand-in": ("notes/what next?.txt", with_added_code),
}


def damaged_under_an_altered_name(base: Path, way: str) -> tuple[str, str, Checked]:
    """Check a copy of two files, one of which has another name and one other bit; return its names and the answer."""
    path, rename = ALTERED[way]
    old, new = base / "old", base / "new"
    for name in (path, "untouched.txt"):
        (old / name).parent.mkdir(parents=True, exist_ok=True)
        (old / name).write_bytes(name.encode() * 200)
    shutil.copytree(old, new)
    flip_a_bit(new / path, old / path)
    rename_all(new, rename)
    return path, rename(path), checked(old, new)


@pytest.mark.parametrize("way", ALTERED)
def test_damage_under_an_altered_name_is_found(way: str, tmp_path: Path) -> None:
    """Whatever it is called: the file is in the way of trust, under its old name, and its new name is told with it."""
    path, altered, found = damaged_under_an_altered_name(tmp_path, way)
    assert found.context.verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    (blocker,) = (one for one in found.findings if one.severity == Severity.BLOCKER)
    assert blocker.old_path == path
    assert shown(altered) in blocker.reason or blocker.new_path == altered


@pytest.mark.parametrize("way", ALTERED)
def test_damage_under_an_altered_name_is_told_as_damage(way: str, tmp_path: Path) -> None:
    """A target that alters all names does not turn damage into loss: the bytes differ, under the same time."""
    path, altered, found = damaged_under_an_altered_name(tmp_path, way)
    assert found.told.get((path, altered)) == (Class.CONTENT_CHANGED, Cause.SILENT, NO_FIELDS)


def test_a_shift_is_one_fact_where_all_names_are_altered(tmp_path: Path) -> None:
    """Names decomposed and times an hour off, both everywhere, are two facts."""
    old, new = tmp_path / "old", tmp_path / "new"
    old.mkdir()
    for turn in range(40):
        place = old / f"\u00e9t\u00e9 {turn:02}.txt"
        place.write_text(f"day {turn}")
        os.utime(place, ns=(USUAL_NS[1], USUAL_NS[1] + turn * 977 * SECOND_NS))
    shutil.copytree(old, new)
    for place in new.iterdir():
        os.utime(place, ns=(USUAL_NS[1], place.stat().st_mtime_ns + 3600 * SECOND_NS))
    rename_all(new, decomposed)
    facts = {one.kind: one.tally.entries for one in checked(old, new).context.systematic}
    assert facts == {"altered-names": 40, "shifted-times": 40}


@pytest.mark.xfail(
    strict=True, raises=AssertionError, reason="hard links are looked for among files at their place only"
)
def test_split_hard_links_are_told_where_names_are_altered(tmp_path: Path) -> None:
    """A target that decomposes names and splits hard links has done two things."""
    old, new = tmp_path / "old", tmp_path / "new"
    old.mkdir()
    names = ("\u00e9t\u00e9.txt", "autre \u00e9t\u00e9.txt")
    (old / names[0]).write_bytes(b"one file")
    (old / names[1]).hardlink_to(old / names[0])
    shutil.copytree(old, new)
    rename_all(new, decomposed)
    altered = (Class.NAME_ALTERED, None, frozenset({Field.HARD_LINKS}))
    assert checked(old, new).told == {(name, decomposed(name)): altered for name in names}


@real
@pytest.mark.real(programs=("mkfs.ntfs", "mount.lowntfs-3g"), paths=("/dev/fuse",))
@pytest.mark.parametrize("order", [TWINS, TWINS[::-1]], ids=["the last in the end", "the first in the end"])
def test_twins_that_meet_are_not_trusted(order: tuple[str, ...], ground: Path, tmp_path: Path) -> None:
    """Where letter case is not told apart only one of several twins arrives: each of the others is in the way."""
    old = Path(tempfile.mkdtemp(dir=ground))
    (old / "twins").mkdir()
    kind = KINDS["ntfs without case"]
    with mounted(kind, image_for(kind, tmp_path)) as point:
        (point / "copy" / "twins").mkdir(parents=True)
        for path in (*order, "twins/other.txt"):
            (old / path).write_bytes(f"{path}\n".encode() * 5)
            shutil.copy2(old / path, point / "copy" / path)
        assert {place.name for place in (point / "copy" / "twins").iterdir()} == {"other.txt", "readme"}
        found = checked(old, point / "copy")
    missing = {(path, None): Class.MISSING for path in TWINS if path not in (order[-1], "twins/readme")}
    changed = {("twins/readme", "twins/readme"): Class.CONTENT_CHANGED} if order[-1] != "twins/readme" else {}
    lost = {(order[-1], None): Class.MISSING} if changed else {}
    assert {paths: told[0] for paths, told in found.told.items()} == missing | changed | lost
    assert found.context.exit_code == 1
