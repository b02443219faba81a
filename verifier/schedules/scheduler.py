"""Who starts things at a time of day, and what is to be started."""

from __future__ import annotations

from enum import StrEnum


class Scheduler(StrEnum):
    """Who starts the nights."""

    CRON = "cron"
    SYSTEMD = "systemd"
    WINDOWS_TASK = "windows-task"


class Part(StrEnum):
    """What is started; the name of the command, too."""

    NIGHTLY = "nightly"
    """The run of a night."""
    WATCH = "watch"
    """The look, hours later, whether there was one: a run that never began cannot tell anybody itself."""
