"""A real cron runs what `verifier schedule` prints, mail goes over a real SMTP server, and a web hook is called.

Debian's cron, with its tables, its state and its sendmail in a mount namespace of its own, so that nothing else on the
machine is run or changed.
"""

from __future__ import annotations

import os
import re
import subprocess
import time
from typing import TYPE_CHECKING, Final

import pytest

from tests.messages.servers import HERE, PEOPLE, mail_server, web_server
from tests.nightly.jobs import Garden, laid_out, run_command
from tests.scan.scans import let_the_second_pass
from verifier.ledger.record import Outcome

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

pytestmark = [pytest.mark.slow, pytest.mark.real(root=True, mounts=True, programs=("cron", "unshare"))]

PATIENCE_S: Final = 100.0
"""Cron looks once a minute."""
NAME: Final = "scans/0003.tif"
MORE: Final = '[scan]\nidle = false\n[notify]\non = ["worse", "failure"]\nurls_file = "{urls}"\n'
_START: Final = """
set -e
mount --make-rprivate /
for place in /var/spool/cron /etc/cron.d /run; do mount -t tmpfs none $place; done
mount --bind /dev/null /etc/crontab
mkdir -p /var/spool/cron/crontabs "$1/upper" "$1/work"
mount -t overlay overlay -o "lowerdir=/usr/sbin,upperdir=$1/upper,workdir=$1/work" /usr/sbin
printf '#!/bin/sh\\nexec cat >> "%s"\\n' "$1/mailed" > /usr/sbin/sendmail
chmod 755 /usr/sbin/sendmail
crontab -u root "$1/table"
exec cron -f
"""


@pytest.fixture
def layers(tmp_path: Path) -> Iterator[Path]:
    """Return a folder in memory: an overlay's upper layer cannot lie on another overlay."""
    place = tmp_path / "cron"
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "none", place], check=True)
    yield place
    subprocess.run(["umount", "--lazy", place], check=True)


@pytest.fixture
def cron(layers: Path) -> Iterator[Callable[[str], Path]]:
    """Return a function that has cron work by a table, and gives the file to which its mail goes."""
    started: list[subprocess.Popen[bytes]] = []

    def start(table: str) -> Path:
        (layers / "table").write_text(table)
        command = ["unshare", "--mount", "--pid", "--fork", "--kill-child", "sh", "-c", _START, "sh", str(layers)]
        with (layers / "said").open("wb") as said:
            started.append(subprocess.Popen(command, stdout=said, stderr=said))
        return layers / "mailed"

    yield start
    for one in started:
        one.kill()
        one.wait()


def wait_for(reached: Callable[[], bool], what: str) -> None:
    """Wait until something has come about."""
    until = time.monotonic() + PATIENCE_S
    while not reached():
        assert time.monotonic() < until, f"in vain: {what}"
        time.sleep(0.5)


def test_cron_runs_it_twice_and_mail_arrives_only_when_it_should(tmp_path: Path, cron: Callable[[str], Path]) -> None:
    """A good night is silent on every way; a file is damaged, and the next one rings on all of them, the news first."""
    with mail_server() as box, web_server() as hook:
        urls = tmp_path / "urls"
        urls.write_text(f"mailto://{HERE}:{box.port}/?mode=insecure&{PEOPLE}\njson://{HERE}:{hook.port}/nights\n")
        urls.chmod(0o600)
        garden = laid_out(tmp_path, more=MORE.format(urls=urls))
        let_the_second_pass()
        mailed = cron(every_minute(garden))
        wait_for(lambda: nights(garden) >= 1, "the first night")
        assert not mailed.exists()
        damage(garden)
        wait_for(lambda: nights(garden) >= 2 and mailed.exists(), "the second night, and its mail")
        wait_for(lambda: bool(box.taken and hook.posts), "the messages of the second night")
    good, bad = garden.runs()[:2]
    assert (good.outcome, good.exit_code, good.news.headline) == (Outcome.FINISHED, 0, "nothing new")
    assert (bad.exit_code, bad.news.headline) == (1, "1 new damaged file")
    text = mailed.read_text()
    assert text.count("Subject: Cron") == 1, "the first night printed nothing, so cron had nothing to send"
    assert "[herbarium] 1 new damaged file" in text
    (mail,) = box.mails
    assert mail["Subject"] == "[herbarium] 1 new damaged file"
    body = mail.get_content()
    assert f"new: silent: {NAME}" in body
    assert bad.run in body
    (post,) = hook.posts
    assert NAME in str(post)
    log = (garden.evidence / "nightly.log").read_text()
    events = [line.split()[3] for line in log.splitlines()]
    assert events[0] == "run-began"
    assert events.count("run-finished") >= 2
    assert "told" in events


def every_minute(garden: Garden) -> str:
    """Return the table that is printed for a job, for a night every minute, and without the later look."""
    garden.write()
    printed = run_command("schedule", garden.file, "--at", "02:30", "--as", "cron").stdout
    table, lines = re.subn(r"^30 2 \* \* \*", "* * * * *", printed, flags=re.MULTILINE)
    assert lines == 1
    return "MAILTO=keeper\n" + "".join(f"{line}\n" for line in table.splitlines() if " watch " not in line)


def nights(garden: Garden) -> int:
    """Return how many runs are written down."""
    try:
        return len(garden.runs())
    except Exception:
        return 0


def damage(garden: Garden) -> None:
    """Change a byte, and put the time back."""
    place = garden.new / NAME
    facts = place.stat()
    data = bytearray(place.read_bytes())
    data[3] ^= 1
    place.write_bytes(bytes(data))
    os.utime(place, ns=(facts.st_atime_ns, facts.st_mtime_ns))
