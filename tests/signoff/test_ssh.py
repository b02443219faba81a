"""Signatures by the system's OpenSSH: they verify, and every way in which one does not is named."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.signoff.gardens import (
    PRINCIPAL,
    Garden,
    allow,
    listed_fingerprint,
    make_key,
    now,
    without_terminal,
)
from verifier.decisions.signoff import read_signoff
from verifier.errors import CannotRun, UsageProblem
from verifier.evidence import SIGNATURE_FILE, SIGNOFF_FILE
from verifier.signoff import ssh
from verifier.signoff.sign import Signing, sign
from verifier.signoff.verify import State, verify

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.real(programs=("ssh-keygen",))
REPOSITORY = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder with two keys, ``curator`` and ``other``."""
    place = tmp_path_factory.mktemp("keys")
    for name in ("curator", "other"):
        make_key(place / name)
    return place


@pytest.fixture
def key(keys: Path) -> Path:
    """Give the curator's key."""
    return keys / "curator"


@pytest.fixture
def other(keys: Path) -> Path:
    """Give somebody else's key."""
    return keys / "other"


def told(garden: Garden, allowed: Path | None = None) -> str:
    """Return what is said about the signature."""
    return next(answer.told for answer in verify(garden.evidence, allowed).answers if answer.what == "signature")


def sign_by_hand(garden: Garden, key: Path, namespace: str = ssh.NAMESPACE) -> None:
    """Sign what lies there as somebody could who has a key and may write there."""
    place = garden.evidence / SIGNATURE_FILE
    place.unlink(missing_ok=True)
    command = ["ssh-keygen", "-q", "-Y", "sign", "-f", str(key), "-n", namespace, str(garden.evidence / SIGNOFF_FILE)]
    subprocess.run(command, check=True)


def test_a_signature_verifies(garden: Garden, key: Path, tmp_path: Path) -> None:
    """By the curator's key, which the record and the page can name because it was known before."""
    signed = garden.sign(ssh_key=key)
    assert signed.key == listed_fingerprint(key)
    assert garden.states()["signature"] is State.OPEN
    assert "whose key that is must be known from elsewhere" in told(garden)
    allowed = allow(tmp_path / "allowed", key)
    assert garden.states(allowed)["signature"] is State.HOLDS
    assert told(garden, allowed) == f"by {PRINCIPAL}, with the key {signed.key}"
    found = verify(garden.evidence, allowed)
    assert (found.holds, found.exit_code) == (True, 0)
    assert not any("signed without a key" in text or "Who signed" in text for text in found.not_proved)


def test_anybody_can_verify_it_with_openssh_alone(garden: Garden, key: Path, tmp_path: Path) -> None:
    """The signature is over the file's very bytes, in OpenSSH's own format (ssh-keygen(1), -Y verify)."""
    garden.sign(ssh_key=key)
    allowed = allow(tmp_path / "allowed", key)
    who = ["-f", str(allowed), "-I", PRINCIPAL, "-n", "verifier-signoff", "-s", str(garden.evidence / SIGNATURE_FILE)]
    with (garden.evidence / SIGNOFF_FILE).open("rb") as message:
        subprocess.run(["ssh-keygen", "-Y", "verify", *who], stdin=message, check=True, capture_output=True)


@pytest.mark.parametrize(
    "options",
    [("-t", "rsa", "-b", "2048"), ("-t", "ecdsa", "-b", "256"), ("-t", "rsa", "-b", "2048", "-m", "PEM")],
    ids=["RSA", "ECDSA", "RSA in a PEM file"],
)
def test_keys_of_other_kinds_sign_as_well(garden: Garden, tmp_path: Path, options: tuple[str, ...]) -> None:
    """Whatever ssh-keygen can sign with."""
    key = make_key(tmp_path / "key", *options)
    garden.sign(ssh_key=key)
    assert garden.odd(allow(tmp_path / "allowed", key)) == {}


def test_a_key_without_its_public_half_beside_it_signs(garden: Garden, key: Path, tmp_path: Path) -> None:
    """OpenSSH's own format holds it."""
    alone = tmp_path / "alone"
    shutil.copy(key, alone)
    assert garden.sign(ssh_key=alone).key == listed_fingerprint(key)
    assert garden.odd(allow(tmp_path / "allowed", key)) == {}


# ---- What does not verify


def test_another_s_key_is_named(garden: Garden, key: Path, other: Path, tmp_path: Path) -> None:
    """The signature is right, and by nobody who is allowed."""
    garden.sign(ssh_key=key)
    allowed = allow(tmp_path / "allowed", other)
    assert garden.odd(allowed) == {"signature": State.BAD}
    assert "its key is none that" in told(garden, allowed)
    assert verify(garden.evidence, allowed).exit_code == 1


def test_a_signature_by_another_key_than_the_record_names(garden: Garden, key: Path, other: Path) -> None:
    """Somebody signed the same bytes with a key of their own."""
    signed = garden.sign(ssh_key=key)
    sign_by_hand(garden, other)
    assert garden.odd() == {"signature": State.BAD}
    assert told(garden) == f"made by the key {listed_fingerprint(other)}; the sign-off names {signed.key}"


def test_a_record_that_was_forged_whole_fails_by_its_key(
    garden: Garden, key: Path, other: Path, tmp_path: Path
) -> None:
    """Statement, key and signature exchanged: consistent in itself, and not by who is allowed."""
    signed = garden.sign(ssh_key=key)
    garden.write(signed, statement="All may be wiped.", key=listed_fingerprint(other))
    sign_by_hand(garden, other)
    assert garden.odd() == {}
    assert garden.odd(allow(tmp_path / "allowed", key)) == {"signature": State.BAD}


def test_a_changed_statement_with_the_right_digest_is_found(garden: Garden, key: Path) -> None:
    """The signature is over other bytes."""
    signed = garden.sign(ssh_key=key, statement="I have looked at the herbarium.")
    garden.write(signed, statement="I have looked at everything.")
    assert garden.odd() == {"signature": State.BAD}
    assert "incorrect signature" in told(garden)


def test_a_changed_statement_as_it_stands_is_found(garden: Garden, key: Path) -> None:
    """Already by the record's own digest."""
    garden.sign(ssh_key=key, statement="I have looked at the herbarium.")
    place = garden.evidence / SIGNOFF_FILE
    place.write_bytes(place.read_bytes().replace(b"the herbarium", b"everything  "))
    assert garden.odd() == {SIGNOFF_FILE: State.CHANGED}


def test_the_signature_of_another_sign_off_does_not_fit(garden: Garden, fresh: Garden, key: Path) -> None:
    """By the same key, over another record."""
    garden.sign(ssh_key=key)
    fresh.sign(ssh_key=key, by="Somebody Else")
    shutil.copy(fresh.evidence / SIGNATURE_FILE, garden.evidence / SIGNATURE_FILE)
    assert garden.odd() == {"signature": State.BAD}


def test_a_signature_for_another_purpose_does_not_fit(garden: Garden, key: Path) -> None:
    """The namespace keeps what was signed as a file, or a letter, from passing as a sign-off."""
    garden.sign(ssh_key=key)
    sign_by_hand(garden, key, namespace="file")
    assert garden.odd() == {"signature": State.BAD}
    assert "namespace does not match" in told(garden)


def test_a_missing_signature_is_named(garden: Garden, key: Path) -> None:
    """The record names the key that made one."""
    signed = garden.sign(ssh_key=key)
    (garden.evidence / SIGNATURE_FILE).unlink()
    assert garden.odd() == {"signature": State.MISSING}
    assert signed.key in told(garden)


def test_taking_out_key_and_signature_is_found_by_who_asks_for_signers(
    garden: Garden, key: Path, tmp_path: Path
) -> None:
    """A record made keyless is consistent in itself, so without --allowed-signers it says only what is not proved."""
    signed = garden.sign(ssh_key=key)
    garden.write(signed, key="")
    (garden.evidence / SIGNATURE_FILE).unlink()
    assert garden.odd(allow(tmp_path / "allowed", key)) == {"signature": State.MISSING}


@pytest.mark.parametrize("damaged", range(0, 300, 23))
def test_any_damage_to_the_signature_is_found(garden: Garden, key: Path, damaged: int) -> None:
    """A changed letter of its text: another signature, or none."""
    garden.sign(ssh_key=key)
    place = garden.evidence / SIGNATURE_FILE
    text = bytearray(place.read_bytes())
    text[damaged % len(text)] = ord("B" if text[damaged % len(text)] != ord("B") else "C")
    place.write_bytes(text)
    assert garden.odd() == {"signature": State.BAD}


@pytest.mark.parametrize("what", ["nothing", "a folder", "a public key"])
def test_what_is_no_signature_is_named(garden: Garden, key: Path, what: str) -> None:
    """In its place, whatever it is."""
    garden.sign(ssh_key=key)
    place = garden.evidence / SIGNATURE_FILE
    place.unlink()
    match what:
        case "nothing":
            place.touch()
        case "a folder":
            place.mkdir()
        case _:
            shutil.copy(f"{key}.pub", place)
    assert garden.odd()["signature"] in (State.BAD, State.MISSING)
    assert verify(garden.evidence).exit_code == 1


def test_files_count_beside_the_signature(garden: Garden, key: Path, tmp_path: Path) -> None:
    """A right signature over digests that no longer hold."""
    garden.sign(ssh_key=key)
    with (garden.evidence / "findings.sqlite").open("ab") as file:
        file.write(b"\0")
    assert garden.odd(allow(tmp_path / "allowed", key)) == {"findings.sqlite": State.CHANGED}


# ---- Allowed signers


def in_local_time(moment: datetime) -> str:
    """Return a moment as a file of allowed signers has it (ssh-keygen(1), ALLOWED SIGNERS)."""
    return f"{moment.astimezone():%Y%m%d%H%M%S}"


def test_a_key_that_had_run_out_when_it_signed_is_named(garden: Garden, key: Path, tmp_path: Path) -> None:
    """Its time was over before the sign-off."""
    garden.sign(ssh_key=key)
    ended = in_local_time(now() - timedelta(days=1))
    allowed = allow(tmp_path / "allowed", key, options=f'valid-before="{ended}"')
    assert garden.odd(allowed) == {"signature": State.BAD}
    assert "key has expired" in told(garden, allowed)


def test_a_key_that_ran_out_since_holds_and_that_is_told(garden: Garden, key: Path, tmp_path: Path) -> None:
    """It was allowed at the time that the sign-off names, as far as that time can be believed."""
    signed = garden.sign(ssh_key=key)
    at = datetime.fromisoformat(signed.at) - timedelta(days=9)
    garden.write(signed, at=at.isoformat())
    sign_by_hand(garden, key)
    allowed = allow(tmp_path / "allowed", key, options=f'valid-before="{in_local_time(at + timedelta(days=1))}"')
    assert garden.odd(allowed) == {}
    assert "allowed at the time that the sign-off names, and is not any more" in told(garden, allowed)


def test_a_key_that_was_allowed_only_later_is_named(garden: Garden, key: Path, tmp_path: Path) -> None:
    """Not at the time of the sign-off."""
    signed = garden.sign(ssh_key=key)
    garden.write(signed, at=(now() - timedelta(days=9)).isoformat())
    sign_by_hand(garden, key)
    allowed = allow(tmp_path / "allowed", key, options=f'valid-after="{in_local_time(now() - timedelta(days=1))}"')
    assert garden.odd(allowed) == {"signature": State.BAD}
    assert "not yet valid" in told(garden, allowed)


def test_a_key_that_is_allowed_for_other_purposes_is_named(garden: Garden, key: Path, tmp_path: Path) -> None:
    """Allowed signers may limit a key to namespaces."""
    garden.sign(ssh_key=key)
    assert garden.odd(allow(tmp_path / "yes", key, options='namespaces="verifier-*"')) == {}
    allowed = allow(tmp_path / "no", key, options='namespaces="file"')
    assert garden.odd(allowed) == {"signature": State.BAD}


@pytest.mark.parametrize("text", ["", "# nobody\n", "\0\xff garbage\n", "curator@garden.example ssh-ed25519 AAAA\n"])
def test_a_file_that_allows_nobody_allows_nobody(garden: Garden, key: Path, tmp_path: Path, text: str) -> None:
    """Whatever is wrong with it."""
    garden.sign(ssh_key=key)
    (tmp_path / "allowed").write_text(text, "latin-1")
    assert garden.odd(tmp_path / "allowed") == {"signature": State.BAD}


def test_one_of_several_signers_is_found(garden: Garden, key: Path, other: Path, tmp_path: Path) -> None:
    """By the line that holds the key; a line that ran out before it stands in no way."""
    garden.sign(ssh_key=key)
    allowed = allow(tmp_path / "allowed", other)
    public = key.with_name("curator.pub").read_text()
    lines = [f'early@garden.example valid-before="20200101" {public}', f"*@herbarium.example,{PRINCIPAL} {public}"]
    allowed.write_text(allowed.read_text().replace(PRINCIPAL, "other@garden.example") + "".join(lines))
    assert garden.odd(allowed) == {}
    assert told(garden, allowed).startswith("by *@herbarium.example, with the key")


# ---- Keys that do not sign


def test_a_key_that_is_not_there_is_named(garden: Garden, tmp_path: Path) -> None:
    """Before anything is done; a folder, a pipe and a device are none either."""
    os.mkfifo(tmp_path / "pipe")
    for place in (tmp_path / "nowhere", tmp_path, tmp_path / "pipe", Path("/dev/null"), Path("-")):
        with pytest.raises(UsageProblem, match=r"--ssh-key .* is not there"):
            garden.sign(ssh_key=place)


def test_what_is_no_key_is_named(garden: Garden) -> None:
    """In ssh-keygen's words, and before anything is done."""
    with pytest.raises(UsageProblem, match="is not a key whose public half can be read"):
        garden.sign(ssh_key=garden.old / "notes" / "fen.txt")
    assert read_signoff(garden.evidence) is None


def test_a_key_inside_the_evidence_is_refused(garden: Garden, key: Path) -> None:
    """What is handed on with the report must not hold a private key, also not by a link."""
    shutil.copy(key, garden.evidence / "key")
    for place in (garden.evidence / "key", garden.base / "link"):
        if place.name == "link":
            place.symlink_to(garden.evidence / "key")
        with pytest.raises(UsageProblem, match="lies in the evidence folder, which is handed on"):
            garden.sign(ssh_key=place)


def test_a_public_half_that_is_another_key_s_signs_nothing(
    garden: Garden, key: Path, other: Path, tmp_path: Path
) -> None:
    """The page would name a key that did not sign."""
    mixed = tmp_path / "mixed"
    shutil.copy(key, mixed)
    shutil.copy(f"{other}.pub", f"{mixed}.pub")
    before = garden.contents()
    try:
        signed = garden.sign(ssh_key=mixed)
    except CannotRun:
        assert garden.contents() == before
    else:  # OpenSSH may look into the private key alone
        assert signed.key == listed_fingerprint(key)


def test_a_key_that_others_may_read_signs_nothing(garden: Garden, key: Path, tmp_path: Path) -> None:
    """ssh-keygen refuses it, and its warning becomes one line."""
    loose = tmp_path / "loose"
    shutil.copy(key, loose)
    loose.chmod(0o644)
    before = garden.contents()
    with pytest.raises(CannotRun, match=r"could not sign .*too open.*; nothing was signed") as refused:
        garden.sign(ssh_key=loose)
    assert "@@" not in str(refused.value)
    assert garden.contents() == before


def test_a_public_key_whose_private_half_is_nowhere_signs_nothing(garden: Garden, key: Path, tmp_path: Path) -> None:
    """Neither beside it nor with an agent."""
    alone = tmp_path / "alone.pub"
    shutil.copy(f"{key}.pub", alone)
    before = garden.contents()
    with pytest.raises(CannotRun, match="could not sign"):
        garden.sign(ssh_key=alone)
    assert garden.contents() == before


def test_without_openssh_one_line_says_so(
    garden: Garden, key: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit code 4; what needs no key goes on working."""
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(CannotRun, match="the program ssh-keygen is not there; install OpenSSH") as refused:
        garden.sign(ssh_key=key)
    assert refused.value.exit_code == 4
    garden.sign()
    assert garden.odd() == {}


def test_a_signature_cannot_be_looked_at_without_openssh(
    garden: Garden, key: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is not passed over."""
    garden.sign(ssh_key=key)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(CannotRun, match="ssh-keygen is not there"):
        verify(garden.evidence)


def test_a_passphrase_is_asked_for_on_a_terminal_only(garden: Garden, tmp_path: Path) -> None:
    """Without one the key does not sign; what is piped in is not a passphrase, and what is signed neither."""
    key = make_key(tmp_path / "key", passphrase="sedges and rushes")
    command = [sys.executable, "-m", "verifier", "signoff", str(garden.evidence), "--by", "X", "-q"]
    command += ["--ssh-key", str(key)]
    how = without_terminal()
    how["env"]["PYTHONPATH"] = str(REPOSITORY)
    ended = subprocess.run(command, input="sedges and rushes\n", capture_output=True, text=True, check=False, **how)
    assert (ended.returncode, ended.stdout, len(ended.stderr.splitlines())) == (4, "", 1)
    assert "passphrase" in ended.stderr
    assert read_signoff(garden.evidence) is None


@pytest.fixture
def agent(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Run an agent for a test."""
    if shutil.which("ssh-agent") is None or shutil.which("ssh-add") is None:
        pytest.skip("needs ssh-agent and ssh-add")
    socket = tmp_path / "agent"
    started = subprocess.run(["ssh-agent", "-s", "-a", socket], check=True, capture_output=True, text=True)
    number = int(started.stdout.split("SSH_AGENT_PID=")[1].split(";")[0])
    monkeypatch.setenv("SSH_AUTH_SOCK", str(socket))
    yield
    os.kill(number, signal.SIGTERM)


@pytest.mark.usefixtures("agent")
def test_an_agent_signs_for_a_public_key(garden: Garden, tmp_path: Path) -> None:
    """The private half need not be on this machine."""
    key = make_key(tmp_path / "key")
    subprocess.run(["ssh-add", "-q", key], check=True)
    key.unlink()
    signed = garden.sign(ssh_key=tmp_path / "key.pub")
    assert signed.key == listed_fingerprint(key)
    assert garden.odd(allow(tmp_path / "allowed", key)) == {}


def test_what_ssh_keygen_says_of_a_hardware_key_is_passed_on(
    garden: Garden, key: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody has to touch it, so that cannot wait; all else stays within the one line."""
    real = shutil.which("ssh-keygen")
    script = tmp_path / "bin" / "ssh-keygen"
    script.parent.mkdir()
    said = "echo 'Confirm user presence for key ED25519-SK SHA256:x' >&2; echo 'by the way' >&2"
    script.write_text(f'#!/bin/sh\ncase "$2" in sign) {said};; esac\nexec {real} "$@"\n')
    script.chmod(0o755)
    monkeypatch.setenv("PATH", f"{script.parent}:{os.environ['PATH']}")
    heard: list[str] = []
    sign(Signing(garden.evidence, "R. Curator", ssh_key=key), on_said=heard.append)
    assert heard == ["Confirm user presence for key ED25519-SK SHA256:x"]
    assert garden.odd() == {}


def test_a_program_that_makes_another_s_signature_signs_nothing(
    garden: Garden, key: Path, other: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What comes back is held against the record before anything is put in place."""
    real = shutil.which("ssh-keygen")
    script = tmp_path / "bin" / "ssh-keygen"
    script.parent.mkdir()
    swap = f'case "$2" in sign) shift 5; exec {real} -q -Y sign -f {other} "$@";; esac'
    script.write_text(f'#!/bin/sh\n{swap}\nexec {real} "$@"\n')
    script.chmod(0o755)
    monkeypatch.setenv("PATH", f"{script.parent}:{os.environ['PATH']}")
    before = garden.contents()
    with pytest.raises(CannotRun, match=r"signs as SHA256:.* and its public half is SHA256:"):
        garden.sign(ssh_key=key)
    assert garden.contents() == before


def test_the_record_of_a_key_survives_what_it_cannot_change(garden: Garden, key: Path) -> None:
    """A record with another key's fingerprint in it is not what was signed."""
    signed = garden.sign(ssh_key=key)
    garden.write(replace(signed, key="SHA256:" + "A" * 43))
    assert garden.odd() == {"signature": State.BAD}
